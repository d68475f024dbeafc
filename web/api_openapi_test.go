package web

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"
)

type described struct {
	OpenAPI    string                               `json:"openapi"`
	Paths      map[string]map[string]map[string]any `json:"paths"`
	Components map[string]map[string]any            `json:"components"`
}

func readDescription(t *testing.T) described {
	t.Helper()
	var d described
	if err := json.Unmarshal(openapi, &d); err != nil {
		t.Fatal(err)
	}
	return d
}

// TestTheDescriptionAndTheTableAgree: every route under /api is described, and nothing else is.
func TestTheDescriptionAndTheTableAgree(t *testing.T) {
	d := readDescription(t)
	if !strings.HasPrefix(d.OpenAPI, "3.1.") {
		t.Errorf("got OpenAPI %s", d.OpenAPI)
	}
	var table, paper []string
	for _, r := range Routes() {
		if r.API() {
			table = append(table, strings.ToLower(r.Method)+" "+regexp.MustCompile(`:([a-z]+)`).ReplaceAllString(r.Path, "{$1}"))
		}
	}
	for path, methods := range d.Paths {
		for method, operation := range methods {
			paper = append(paper, method+" "+path)
			checkParameters(t, d, path, operation)
		}
	}
	slices.Sort(table)
	slices.Sort(paper)
	if !slices.Equal(table, paper) {
		t.Errorf("the table has\n%s\nthe description has\n%s", strings.Join(table, "\n"), strings.Join(paper, "\n"))
	}
}

// checkParameters looks whether every parameter of the path is described.
func checkParameters(t *testing.T, d described, path string, operation map[string]any) {
	t.Helper()
	var named []string
	parameters, _ := operation["parameters"].([]any)
	for _, p := range parameters {
		p := p.(map[string]any)
		if ref, ok := p["$ref"].(string); ok {
			p, _ = d.Components["parameters"][ref[strings.LastIndex(ref, "/")+1:]].(map[string]any)
		}
		if p["in"] == "path" {
			named = append(named, p["name"].(string))
		}
	}
	for _, m := range regexp.MustCompile(`\{([a-z]+)\}`).FindAllStringSubmatch(path, -1) {
		if !slices.Contains(named, m[1]) {
			t.Errorf("%s: the parameter %s is not described", path, m[1])
		}
	}
}

// TestEveryReferenceLeadsSomewhere walks all $ref of the description.
func TestEveryReferenceLeadsSomewhere(t *testing.T) {
	d := readDescription(t)
	refs := regexp.MustCompile(`"\$ref":\s*"#/components/([a-zA-Z]+)/([a-zA-Z]+)"`).FindAllStringSubmatch(string(openapi), -1)
	if len(refs) < 50 {
		t.Fatalf("found only %d references", len(refs))
	}
	used := map[string]bool{}
	for _, m := range refs {
		used[m[1]+"/"+m[2]] = true
		if d.Components[m[1]][m[2]] == nil {
			t.Errorf("#/components/%s/%s is not there", m[1], m[2])
		}
	}
	for kind, parts := range d.Components {
		for name := range parts {
			if kind != "securitySchemes" && !used[kind+"/"+name] {
				t.Errorf("components/%s/%s is described and used nowhere", kind, name)
			}
		}
	}
	if n := strings.Count(string(openapi), `"$ref"`); n != len(refs) {
		t.Errorf("%d of %d references have another form", n-len(refs), n)
	}
}

func TestTheDescriptionIsServed(t *testing.T) {
	got := newSite(t).anonymous().get("/api/openapi.json")
	got.want(t, 200, `"openapi": "3.1.0"`)
	if kind := got.Header().Get("Content-Type"); kind != "application/json" {
		t.Errorf("got %s", kind)
	}
}

// matches checks an answer against a schema of the description: enough of JSON Schema for the schemas used there.
func (d described) matches(t *testing.T, name string, doc []byte) {
	t.Helper()
	var v any
	if err := json.Unmarshal(doc, &v); err != nil {
		t.Fatal(err)
	}
	d.check(t, name, map[string]any{"$ref": "#/components/schemas/" + name}, v)
}

func (d described) check(t *testing.T, at string, schema map[string]any, v any) {
	t.Helper()
	if ref, ok := schema["$ref"].(string); ok {
		schema, _ = d.Components["schemas"][ref[strings.LastIndex(ref, "/")+1:]].(map[string]any)
	}
	if all, ok := schema["allOf"].([]any); ok {
		for _, part := range all {
			d.check(t, at, part.(map[string]any), v)
		}
		return
	}
	if list, ok := v.([]any); ok {
		items, described := schema["items"].(map[string]any)
		if !described {
			t.Errorf("%s: a list, described as %v", at, schema["type"])
		}
		for _, item := range list {
			d.check(t, at+"[]", items, item)
		}
		return
	}
	if choices, ok := schema["enum"].([]any); ok && !slices.Contains(choices, v) {
		t.Errorf("%s: %v is none of %v", at, v, choices)
	}
	object, ok := v.(map[string]any)
	properties, _ := schema["properties"].(map[string]any)
	if !ok || properties == nil {
		return
	}
	required, _ := schema["required"].([]any)
	for _, key := range required {
		if _, there := object[key.(string)]; !there {
			t.Errorf("%s: %s is missing", at, key)
		}
	}
	for key, value := range object {
		property, described := properties[key].(map[string]any)
		if !described {
			t.Errorf("%s: %s is not described", at, key)
			continue
		}
		d.check(t, at+"/"+key, property, value)
	}
}
