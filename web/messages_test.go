package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

const schemaFile = "api/messages.json"

// comments are those of a type and its fields.
type comments struct {
	doc    string
	fields map[string]string
}

// sourceComments reads the comments of all struct types of this package.
func sourceComments(t *testing.T) map[string]comments {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	out := make(map[string]comments)
	for _, path := range files {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range file.Decls {
			gen, ok := d.(*ast.GenDecl)
			if !ok || gen.Tok != token.TYPE {
				continue
			}
			for _, s := range gen.Specs {
				spec := s.(*ast.TypeSpec)
				st, ok := spec.Type.(*ast.StructType)
				if !ok {
					continue
				}
				doc := gen.Doc
				if spec.Doc != nil {
					doc = spec.Doc
				}
				c := comments{plain(doc.Text()), make(map[string]string)}
				for _, f := range st.Fields.List {
					text := plain(f.Doc.Text() + " " + f.Comment.Text())
					for _, name := range f.Names {
						c.fields[name.Name] = text
					}
				}
				out[spec.Name.Name] = c
			}
		}
	}
	return out
}

// plain makes one line of a comment, without the brackets of doc links.
func plain(comment string) string {
	return strings.NewReplacer("[", "", "]", "").Replace(strings.Join(strings.Fields(comment), " "))
}

// answerTypes are what the API answers with beside the messages.
var answerTypes = []reflect.Type{reflect.TypeFor[SetupData](), reflect.TypeFor[Balance](), reflect.TypeFor[memoriesBody]()}

// schemas collects the JSON Schemas of Go types.
type schemas struct {
	comments map[string]comments
	defs     map[string]any
}

func (s *schemas) of(t reflect.Type) map[string]any {
	switch {
	case t == reflect.TypeFor[Number]():
		return map[string]any{"type": []string{"number", "null"}}
	case t == reflect.TypeFor[json.RawMessage]():
		return map[string]any{} // any JSON
	case t.Kind() == reflect.Pointer:
		return s.of(t.Elem())
	case t.Kind() == reflect.Slice, t.Kind() == reflect.Array:
		return map[string]any{"type": "array", "items": s.of(t.Elem())}
	case t.Kind() == reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": s.of(t.Elem())}
	case t.Kind() == reflect.Struct:
		name := strings.ToUpper(t.Name()[:1]) + t.Name()[1:]
		if _, known := s.defs[name]; !known {
			s.defs[name] = nil // against endless descent
			s.defs[name] = s.object(t)
		}
		return map[string]any{"$ref": "#/$defs/" + name}
	case t.Kind() == reflect.String:
		return map[string]any{"type": "string"}
	case t.Kind() == reflect.Bool:
		return map[string]any{"type": "boolean"}
	case t.Kind() >= reflect.Int && t.Kind() <= reflect.Uint64:
		return map[string]any{"type": "integer"}
	case t.Kind() == reflect.Float64, t.Kind() == reflect.Float32:
		return map[string]any{"type": "number"}
	}
	panic(fmt.Sprintf("%v has no place on the wire", t))
}

func (s *schemas) object(t reflect.Type) map[string]any {
	properties, required := map[string]any{}, []string{}
	for _, f := range reflect.VisibleFields(t) {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous || !f.IsExported() || name == "-" {
			continue
		}
		schema := s.of(f.Type)
		owner := t
		for _, i := range f.Index[:len(f.Index)-1] {
			owner = owner.Field(i).Type
		}
		if text := s.comments[owner.Name()].fields[f.Name]; text != "" {
			schema["description"] = text
		}
		properties[name] = schema
		if !strings.Contains(options, "omitempty") && !strings.Contains(options, "omitzero") {
			required = append(required, name)
		}
	}
	slices.Sort(required)
	out := map[string]any{"type": "object", "properties": properties, "required": required}
	if doc := s.comments[t.Name()].doc; doc != "" {
		out["description"] = doc
	}
	return out
}

// The schema of the messages follows the types of the wire format and their
// comments.
func TestMessagesSchemaIsOfTheTypes(t *testing.T) {
	s := schemas{comments: sourceComments(t), defs: map[string]any{}}
	state := s.of(reflect.TypeFor[State]())
	for _, answer := range answerTypes {
		s.of(answer)
	}
	head := func(kind string) map[string]any {
		return map[string]any{
			"type":    map[string]any{"const": kind},
			"seq":     map[string]any{"type": "integer", "minimum": 0, "description": "counts the states of this run; 0 before the first"},
			"sent_ms": map[string]any{"type": "integer", "description": "Unix time in ms by the service's clock when this was sent"},
			"page":    map[string]any{"type": "string", "pattern": "^[0-9a-f]+$", "description": "version of the page's files: when it changes, the page loads itself anew"},
			"operate": map[string]any{"type": "boolean", "description": "whether this client may send commands"},
		}
	}
	required := []string{"type", "seq", "sent_ms", "page", "operate"}
	full := head("state")
	full["state"] = map[string]any{"anyOf": []any{state, map[string]any{"type": "null"}}, "description": "null before the first state"}
	s.defs["StateMessage"] = map[string]any{"type": "object", "properties": full, "required": append(slices.Clone(required), "state"), "description": "A new state, whole."}
	s.defs["BeatMessage"] = map[string]any{"type": "object", "properties": head("beat"), "required": required, "additionalProperties": false, "description": "Nothing changed; the service lives."}
	got, err := json.MarshalIndent(map[string]any{
		"$schema":     "https://json-schema.org/draft/2020-12/schema",
		"title":       "messages of polard's websocket",
		"description": "Each text message of /api/v1/live is one of these. A number that is not known is null; members that are not known are absent.",
		"oneOf":       []any{map[string]any{"$ref": "#/$defs/StateMessage"}, map[string]any{"$ref": "#/$defs/BeatMessage"}},
		"$defs":       s.defs,
	}, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	if *update {
		if err := os.WriteFile(schemaFile, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s is not that of the types of the wire format: if they were changed on purpose, run 'make golden'", schemaFile)
	}
}

// sunPart is where the Sun stands: computed when the message is sent, so its last
// digits are those of the machine.
var sunPart = regexp.MustCompile(`"sun":\{[^}]*\},`)

// What comes over a real websocket satisfies the schema and is, byte for byte,
// the golden message; so is the beat. The page's version, which changes with
// every file of the page, stands as zeros.
func TestMessagesSatisfyTheirSchema(t *testing.T) {
	schema := compiled(t, decoded(t, messagesSchema), "")
	r := serve(t, Options{})
	r.Server.mu.Lock()
	r.Server.now = func() time.Time { return testNight.Add(5 * time.Second) }
	r.Server.beat = 20 * time.Millisecond
	r.Server.mu.Unlock()
	if err := r.Publish(fullState()); err != nil {
		t.Fatal(err)
	}
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(r.url, "http")+"api/v1/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	for _, kind := range []string{"state", "beat"} {
		_, got, err := conn.ReadMessage()
		if err != nil {
			t.Fatal(err)
		}
		var v any
		if err := json.Unmarshal(got, &v); err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(v); err != nil {
			t.Errorf("%s: %v", kind, err)
		}
		got = bytes.Replace(got, []byte(r.assets.version), []byte(strings.Repeat("0", len(r.assets.version))), 1)
		got = sunPart.ReplaceAll(got, nil)
		golden := "../testdata/web/message_" + kind + ".json"
		if *update {
			if err := os.WriteFile(golden, append(got, '\n'), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(append(got, '\n'), want) {
			t.Errorf("the %s message is not that of %s; if it was changed on purpose, say so in the changelog and run 'make golden'", kind, golden)
		}
	}
	for name, spoil := range map[string]func(map[string]any){
		"no sequence":       func(m map[string]any) { delete(m, "seq") },
		"unknown kind":      func(m map[string]any) { m["type"] = "news" },
		"words for numbers": func(m map[string]any) { m["state"].(map[string]any)["turn_deg"] = "sixty" },
		"state with a hole": func(m map[string]any) { delete(m["state"].(map[string]any), "phase") },
	} {
		b, err := os.ReadFile("../testdata/web/message_state.json")
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		if err := json.Unmarshal(b, &m); err != nil {
			t.Fatal(err)
		}
		spoil(m)
		if schema.Validate(m) == nil {
			t.Errorf("%s: a wrong message satisfies the schema", name)
		}
	}
}
