package web

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"

	"github.com/labstack/echo/v4"
)

// openapiPaths is the OpenAPI 3.1 document without the schemas of what the
// state holds: those are the definitions of messagesSchema.
//
//go:embed api/openapi.json
var openapiPaths []byte

// messagesSchema is the JSON Schema (2020-12) of the websocket's messages, made
// from the types of the wire format: 'go test ./web -run Schema -update' writes
// it anew.
//
//go:embed api/messages.json
var messagesSchema []byte

// openAPI is the whole document. References between the messages' definitions
// lead to the document's own schemas.
var openAPI = sync.OnceValues(func() ([]byte, error) {
	var doc map[string]any
	if err := json.Unmarshal(openapiPaths, &doc); err != nil {
		return nil, fmt.Errorf("web: api/openapi.json: %w", err)
	}
	var messages struct {
		Defs map[string]any `json:"$defs"`
	}
	moved := strings.ReplaceAll(string(messagesSchema), "#/$defs/", "#/components/schemas/")
	if err := json.Unmarshal([]byte(moved), &messages); err != nil {
		return nil, fmt.Errorf("web: api/messages.json: %w", err)
	}
	components, ok := doc["components"].(map[string]any)
	if !ok {
		return nil, fmt.Errorf("web: api/openapi.json has no components")
	}
	schemas, ok := components["schemas"].(map[string]any)
	if !ok {
		return nil, fmt.Errorf("web: api/openapi.json has no schemas")
	}
	for name, schema := range messages.Defs {
		schemas[name] = schema
	}
	return json.MarshalIndent(doc, "", "  ")
})

func getOpenAPI(c echo.Context) error {
	doc, err := openAPI()
	if err != nil {
		return err
	}
	return c.JSONBlob(http.StatusOK, doc)
}

func getMessages(c echo.Context) error {
	return c.Blob(http.StatusOK, "application/schema+json", messagesSchema)
}
