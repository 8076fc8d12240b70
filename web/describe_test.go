package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// described is the document as served.
func described(t *testing.T) (doc map[string]any, raw []byte) {
	t.Helper()
	s, _ := newTestServer(t, Options{})
	w := ask(s, "GET", "/api/v1/openapi.json", "", nil)
	if w.Code != 200 {
		t.Fatal(w.Code, w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	return doc, w.Body.Bytes()
}

// Every route of the service is described and every described one exists. The
// page itself and its files are for browsers.
func TestEveryRouteIsDescribed(t *testing.T) {
	doc, _ := described(t)
	want := map[string]bool{}
	for path, item := range doc["paths"].(map[string]any) {
		for method := range item.(map[string]any) {
			want[strings.ToUpper(method)+" "+path] = true
		}
	}
	s, _ := newTestServer(t, Options{Rig: &recorder{}, Equipment: &recorder{}, Metrics: http.NotFoundHandler()})
	for _, r := range s.echo.Routes() {
		if r.Path == "/" || r.Path == PairPath || strings.HasPrefix(r.Path, "/assets/") || r.Method == "echo_route_not_found" {
			continue
		}
		parts := strings.Split(r.Path, "/")
		for i, p := range parts {
			if name, ok := strings.CutPrefix(p, ":"); ok {
				parts[i] = "{" + name + "}"
			}
		}
		route := r.Method + " " + strings.Join(parts, "/")
		if !want[route] {
			t.Errorf("%s is not described: add it to the paths of web/api/openapi.json, and a call of it to TestHandlersKeepTheDescription", route)
		}
		delete(want, route)
	}
	for route := range want {
		t.Errorf("%s is described but does not exist", route)
	}
}

// exercise is one request and the status it must get.
type exercise struct {
	method, target, body string
	want                 int
	headers              map[string]string
}

// The document is valid by the OpenAPI initiative's own schema of version 3.1,
// and the handlers keep what it says: each request is held against it as well as
// the answer. Every described operation is called, and every described answer
// but the ones named below is seen.
func TestHandlersKeepTheDescription(t *testing.T) {
	_, raw := described(t)
	doc := readDescription(t, raw)
	rec := &recorder{}
	scraped := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; version=0.0.4")
		fmt.Fprintln(w, "polard_build_info 1")
	})
	s, _ := newTestServer(t, Options{Operator: rec, Rig: rec, Equipment: rec, Metrics: scraped})
	if err := s.Publish(fullState()); err != nil {
		t.Fatal(err)
	}
	picture, _ := starField(12)
	if err := s.PublishPreview(picture); err != nil {
		t.Fatal(err)
	}
	until := func(holds func() bool) {
		for end := time.Now().Add(10 * time.Second); !holds() && time.Now().Before(end); {
			time.Sleep(5 * time.Millisecond)
		}
	}
	until(func() bool { return ask(s, "GET", "/api/v1/preview.jpg", "", nil).Code == 200 })

	foreign := map[string]string{"Origin": "http://elsewhere.example"}
	// Devices of the network: not paired, paired to look on, and the first again
	// with nothing to show for it.
	stranger := map[string]string{"Remote": "192.168.7.9:40000"}
	remote := map[string]string{"Remote": "192.168.7.9:40000", "Cookie": paired(t, s, RightView)}
	calls := []exercise{
		{"GET", "/metrics", "", 401, stranger},
		{"GET", "/api/v1/state", "", 401, stranger},
		{"GET", "/api/v1/live", "", 401, stranger},
		{"GET", "/api/v1/preview.jpg", "", 401, stranger},
		{"GET", "/api/v1/memories", "", 401, stranger},
		{"GET", "/api/v1/setup", "", 401, stranger},
		{"POST", "/api/v1/balance", `{"parts":[{"kg":7.5}]}`, 401, stranger},
		{"GET", "/api/v1/devices", "", 200, nil},
		{"GET", "/api/v1/devices", "", 403, stranger},
		{"POST", "/api/v1/invite", `{"right":"view"}`, 200, nil},
		{"POST", "/api/v1/invite", `{"right":"view"}`, 403, remote},
		{"POST", "/api/v1/invite", `{"right":"all"}`, 400, nil},
		{"POST", "/api/v1/pair", `{"code":"x"}`, 403, stranger},
		{"POST", "/api/v1/pair", `{"code":"x"}`, 403, foreign},
		{"POST", "/api/v1/pair", `{"code":1}`, 400, stranger},
		{"POST", "/api/v1/revoke", `{}`, 400, nil},
		{"POST", "/api/v1/revoke", `{"id":99}`, 404, nil},
		{"POST", "/api/v1/revoke", `{"id":1}`, 403, remote},
		{"GET", "/healthz", "", 200, nil},
		{"GET", "/healthz", "", 503, map[string]string{"Program": "stuck"}},
		{"GET", "/readyz", "", 200, nil},
		{"GET", "/readyz", "", 503, map[string]string{"Program": "stuck"}},
		{"GET", "/metrics", "", 200, nil},
		{"GET", "/api/v1/openapi.json", "", 200, nil},
		{"GET", "/api/v1/messages.json", "", 200, nil},
		{"GET", "/api/v1/problems", "", 200, nil},
		{"GET", "/api/v1/state", "", 200, nil},
		{"GET", "/api/v1/state", "", 200, remote},
		{"GET", "/api/v1/state", "", 403, foreign},
		{"GET", "/api/v1/live", "", 400, nil},
		{"GET", "/api/v1/live", "", 403, foreign},
		{"GET", "/api/v1/preview.jpg", "", 200, nil},
		{"GET", "/api/v1/preview.jpg?frame=12", "", 200, nil},
		{"GET", "/api/v1/preview.jpg?frame=77", "", 404, nil},
		{"GET", "/api/v1/preview.jpg", "", 403, foreign},
		{"GET", "/api/v1/memories", "", 200, nil},
		{"GET", "/api/v1/memories", "", 403, foreign},
		{"GET", "/api/v1/setup?at=2026-03-14T20:15:00Z&telescope_mm=200&eyepiece_mm=20", "", 200, nil},
		{"GET", "/api/v1/setup?at=tonight", "", 400, nil},
		{"GET", "/api/v1/setup", "", 403, foreign},
		{"GET", "/api/v1/setup", "", 409, map[string]string{"Place": "unknown"}},
		{"POST", "/api/v1/balance", `{"parts":[{"name":"tube","kg":7.5,"shaft_mm":210}],"sliding_kg":5,"nearest_mm":110,"farthest_mm":380}`, 200, remote},
		{"POST", "/api/v1/balance", `{"tube":1}`, 400, nil},
		{"POST", "/api/v1/balance", `{}`, 403, foreign},
		{"POST", "/api/v1/balance", `{}`, 415, map[string]string{"Content-Type": "text/plain"}},
		{"POST", "/api/v1/balance", `{"nonsense":"` + strings.Repeat("x", maxCommandBytes) + `"}`, 413, nil},
	}
	// Commands: one that works, and every way in which one can fail.
	for path, body := range map[string]string{
		"site": `{"lat_deg":46.32,"lon_deg":13.07,"elevation_m":640,"pole":"true"}`, "tolerance": `{"arcmin":1.5}`, "event": `{"event":"locked"}`,
		"rig/ra": `{"deg":30}`, "rig/altitude-bolt": `{"arcmin":-7}`, "rig/azimuth-bolt": `{"deg":0.4}`,
		"turned": `{"bolt":"altitude","turns":-0.4}`, "frame": `{"file":"a.fits","mid_utc":"2026-03-14T20:15:00Z","counts":false}`, "plan": `{"exposure_s":300,"dec_deg":41.5,"ha_from_deg":-30,"ha_to_deg":45}`,
		"rig/declination": `{"deg":12}`, "rig/fault": `{"fault":"cloud"}`,
		"note": `{"key":"steps","value":{"level":true}}`, "marks": `{"scale_deg":46.5}`,
		"equipment/find": `{}`, "equipment/choose": `{"camera":"Lapwing C2","mount":"Bittern"}`, "equipment/propose": `{"turn_deg":40,"way":"west"}`,
		"equipment/measure": `{"plan":"3"}`, "equipment/present": `{}`, "equipment/loop": `{"on":true}`, "equipment/stop": `{}`, "equipment/changed": `{}`,
		"rig/drive": `{"on":true}`, "rig/repeat": `{"on":false}`, "rig/expose": `{}`,
	} {
		target := "/api/v1/" + path
		calls = append(calls,
			exercise{"POST", target, body, 204, nil},
			exercise{"POST", target, body, 401, stranger},
			exercise{"POST", target, body, 403, remote},
			exercise{"POST", target, body, 415, map[string]string{"Content-Type": "text/plain"}},
			exercise{"POST", target, `{"nonsense":1}`, 400, nil},
			exercise{"POST", target, `{"nonsense":"` + strings.Repeat("x", maxCommandBytes) + `"}`, 413, nil},
		)
		if !strings.HasPrefix(path, "rig/") && !strings.HasPrefix(path, "equipment/") { // which no logbook keeps
			calls = append(calls, exercise{"POST", target, body, 202, map[string]string{"NotKept": "the disk is full"}})
		}
		if path != "note" && path != "marks" { // the session has no say in these
			calls = append(calls, exercise{"POST", target, body, 409, map[string]string{"Refuse": "the axis is not measured yet"}})
		}
	}
	for _, target := range []string{"/api/v1/pair", "/api/v1/invite", "/api/v1/revoke"} {
		calls = append(calls,
			exercise{"POST", target, `{}`, 415, map[string]string{"Content-Type": "text/plain"}},
			exercise{"POST", target, `{"nonsense":"` + strings.Repeat("x", maxCommandBytes) + `"}`, 413, nil},
		)
	}
	for _, event := range []mountmodel.Event{mountmodel.StartOver, mountmodel.Measured, mountmodel.Unlocked, mountmodel.WatchOnly} {
		calls = append(calls, exercise{"POST", "/api/v1/event", `{"event":"` + string(event) + `"}`, 204, nil})
	}
	seen := map[string]bool{}
	for _, c := range calls {
		rec.mu.Lock()
		rec.refuse = nil
		if why := c.headers["Refuse"]; why != "" {
			rec.refuse = fmt.Errorf("%s", why)
		}
		if why := c.headers["NotKept"]; why != "" {
			rec.refuse = fmt.Errorf("%w: %s", ErrNotLogged, why)
		}
		rec.mu.Unlock()
		asked := s
		if c.headers["NotKept"] != "" {
			asked, _ = newTestServer(t, Options{Operator: rec, Rig: rec, Notes: full{newMemory()}, Nights: full{newMemory()}})
		}
		if c.headers["Place"] == "unknown" {
			asked, _ = newTestServer(t, Options{})
		}
		if c.headers["Program"] == "stuck" {
			stuck := func(context.Context) error { return errors.New("the folder cannot be read") }
			asked, _ = newTestServer(t, Options{Healthy: stuck, Able: stuck})
		}
		w := ask(asked, c.method, c.target, c.body, c.headers)
		what := fmt.Sprintf("%s %s %.40s", c.method, c.target, c.body)
		if w.Code != c.want {
			t.Errorf("%s: %d, want %d: %s", what, w.Code, c.want, w.Body)
			continue
		}
		path, _, _ := strings.Cut(c.target, "?")
		operation, ok := doc.Paths[path][strings.ToLower(c.method)]
		if !ok {
			t.Errorf("%s: not described", what)
			continue
		}
		status := strconv.Itoa(w.Code)
		seen[c.method+" "+path+" "+status] = true
		answer, ok := operation.Responses[status]
		if !ok {
			t.Errorf("%s: the answer %s is not described", what, status)
			continue
		}
		if err := doc.check(t, answer.resolve(t, doc).Content, w.Header().Get("Content-Type"), w.Body.Bytes()); err != nil {
			t.Errorf("%s: the answer is not as described: %v", what, err)
		}
		if operation.RequestBody == nil {
			continue
		}
		err := doc.check(t, operation.RequestBody.Content, "application/json", []byte(c.body))
		switch {
		case w.Code < 300 && err != nil:
			t.Errorf("%s: carried out, though not as described: %v", what, err)
		case w.Code == http.StatusBadRequest && err == nil:
			t.Errorf("%s: refused, though as described", what)
		}
	}
	// Seen in tests of their own: the open websocket and the full house.
	// So are pairing and revoking that succeed, and the full list of devices.
	elsewhere := []string{"GET /api/v1/live 101", "GET /api/v1/live 503", "POST /api/v1/pair 204", "POST /api/v1/pair 409", "POST /api/v1/revoke 204"}
	for path, item := range doc.Paths {
		for method, operation := range item {
			for status := range operation.Responses {
				if answer := strings.ToUpper(method) + " " + path + " " + status; !seen[answer] && !slices.Contains(elsewhere, answer) {
					t.Errorf("%s is described but was not seen: add a call to this test", answer)
				}
			}
			if operation.RequestBody == nil {
				continue
			}
			for kind, body := range operation.RequestBody.Content {
				if err := doc.check(t, operation.RequestBody.Content, kind, body.Example); err != nil {
					t.Errorf("%s %s: its example is not as described: %v", method, path, err)
				}
			}
		}
	}
}

// full are notes on a disk that is full.
type full struct{ *memory }

func (full) SetNote(context.Context, string, []byte) error { return ErrNotLogged }
func (full) SetMarks(context.Context, Marks) error         { return ErrNotLogged }
func (full) Note(context.Context, string) ([]byte, error)  { return nil, nil }

// description is what this test reads of an OpenAPI document.
type description struct {
	Paths      map[string]map[string]operation
	Components struct{ Responses map[string]answerBody }
	whole      map[string]any // for the schemas that others refer to
}

type operation struct {
	RequestBody *answerBody
	Responses   map[string]answerBody
}

type answerBody struct {
	Ref     string `json:"$ref"`
	Content map[string]media
}

type media struct{ Schema, Example json.RawMessage }

func (a answerBody) resolve(t *testing.T, d *description) answerBody {
	t.Helper()
	name, isRef := strings.CutPrefix(a.Ref, "#/components/responses/")
	if !isRef {
		return a
	}
	out, ok := d.Components.Responses[name]
	if !ok {
		t.Fatalf("the document refers to %s, which it does not hold", a.Ref)
	}
	return out
}

// oasSchema is the OpenAPI initiative's own schema of version 3.1.
const oasSchema = "../testdata/web/oas31-schema.json"

// readDescription reads a document after holding it against oasSchema.
func readDescription(t *testing.T, raw []byte) *description {
	t.Helper()
	official, err := os.ReadFile(oasSchema)
	if err != nil {
		t.Fatal(err)
	}
	schema := compiled(t, decoded(t, official), "")
	doc := decoded(t, raw).(map[string]any)
	if err := schema.Validate(doc); err != nil {
		t.Fatalf("the document is no OpenAPI 3.1: %v", err)
	}
	info := doc["info"]
	delete(doc, "info")
	if schema.Validate(doc) == nil {
		t.Fatal("a document without info passes as OpenAPI 3.1")
	}
	doc["info"] = info
	d := &description{whole: doc}
	if err := json.Unmarshal(raw, d); err != nil {
		t.Fatal(err)
	}
	return d
}

func decoded(t *testing.T, b []byte) (v any) {
	t.Helper()
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatalf("%v: %.200s", err, b)
	}
	return v
}

// compiled gives the schema at a JSON pointer in a document.
func compiled(t *testing.T, doc any, pointer string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	if err := c.AddResource("https://polard.test/doc.json", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("https://polard.test/doc.json" + pointer) // holds the schema itself against its draft
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

// check holds a body against what is described for its media type.
func (d *description) check(t *testing.T, content map[string]media, kind string, body []byte) error {
	t.Helper()
	kind, _, _ = strings.Cut(kind, ";")
	if len(content) == 0 && kind == "" && len(body) == 0 {
		return nil
	}
	m, ok := content[kind]
	if !ok {
		return fmt.Errorf("no body of type %q is described", kind)
	}
	d.whole["checked"] = decoded(t, m.Schema)
	schema := compiled(t, d.whole, "#/checked")
	var v any = string(body)
	if strings.HasSuffix(kind, "json") {
		v = decoded(t, body)
	}
	return schema.Validate(v)
}

// Every kind of problem that the code answers with has a title, and every title
// is of one.
func TestProblemsHaveTitles(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, status := range []int{400, 404, 405, 413, 500} {
		used[httpCode(status)] = true
	}
	for _, path := range files {
		if strings.HasSuffix(path, "_test.go") {
			continue
		}
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			lit, ok := n.(*ast.CompositeLit)
			if !ok {
				return true
			}
			if name, ok := lit.Type.(*ast.Ident); !ok || name.Name != "problem" {
				return true
			}
			for _, e := range lit.Elts {
				field, ok := e.(*ast.KeyValueExpr)
				if !ok || field.Key.(*ast.Ident).Name != "code" {
					continue
				}
				code, ok := field.Value.(*ast.BasicLit)
				if !ok {
					continue
				}
				word, _ := strconv.Unquote(code.Value)
				used[word] = true
				if problemTitles[word] == "" {
					t.Errorf("%s: the problem %q has no title in problemTitles", fset.Position(lit.Pos()), word)
				}
			}
			return true
		})
	}
	for code := range problemTitles {
		if !used[code] {
			t.Errorf("problemTitles names %q, which nothing answers with", code)
		}
	}
}
