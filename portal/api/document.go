package api

import (
	"encoding/json"
	"maps"
	"reflect"
	"strings"
	"sync"
	"time"

	"benchword/portal"
	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/money"

	"github.com/gofiber/fiber/v2"
	"github.com/invopop/jsonschema"
)

func (a *api) document(c *fiber.Ctx) error {
	body, err := theDocument()
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderContentType, fiber.MIMEApplicationJSON)
	return c.Send(body)
}

var theDocument = sync.OnceValues(Document)

// object is a JSON object of the document.
type object = map[string]any

// Document gives the OpenAPI 3.1 document of the interface.
func Document() ([]byte, error) {
	defs := jsonschema.Definitions{}
	r := &jsonschema.Reflector{Anonymous: true, DoNotReference: false, ExpandedStruct: false, Mapper: mapped, Namer: named}
	ref := func(v any) object {
		s := r.Reflect(v)
		maps.Copy(defs, s.Definitions)
		return object{"$ref": strings.Replace(s.Ref, "#/$defs/", "#/components/schemas/", 1)}
	}
	answer := func(what string, schema object) object {
		return object{"description": what, "content": object{"application/json": object{"schema": schema}}}
	}
	problem := object{"description": "A problem, as in RFC 9457: detail is a sentence for a person.", "content": object{"application/problem+json": object{"schema": ref(portal.Problem{})}}}
	header := func(name, what string) object {
		return object{"name": name, "in": "header", "required": false, "description": what, "schema": object{"type": "string", "maxLength": 200}}
	}
	query := func(name, what string, schema object) object {
		return object{"name": name, "in": "query", "required": false, "description": what, "schema": schema}
	}
	number := object{"name": "number", "in": "path", "required": true, "description": "The job number.", "schema": object{"type": "string", "maxLength": 100}}
	once := header("Idempotency-Key", "Makes the request happen once; a repeat gets the first answer.")
	match := header("If-Match", "The ETag of the job as you read it; the request is refused with 412 if it has changed.")
	job := ref(Job{})
	paths := object{
		"/jobs": object{
			"get": object{
				"operationId": "listJobs", "summary": "List jobs in the order of their promise, or search them.",
				"parameters": []any{
					query("q", "Words to search for; the last one may be the beginning of a word.", object{"type": "string"}),
					query("stage", "Only this stage.", object{"type": "string"}),
					query("ended", "Those that ended instead of those that run.", object{"type": "string", "enum": []any{"true", "false"}}),
					query("after", "From the “more” of an earlier answer.", object{"type": "string"}),
				},
				"responses": object{"200": answer("The jobs.", ref(Rows{})), "default": problem},
			},
			"post": object{
				"operationId": "bookJob", "summary": "Begin a job.", "parameters": []any{once},
				"requestBody": object{"required": true, "content": object{"application/json": object{"schema": ref(workflow.Book{})}}},
				"responses":   object{"201": answer("The job.", job), "default": problem},
			},
		},
		"/jobs/{number}": object{"get": object{
			"operationId": "showJob", "summary": "A job as it stands.", "parameters": []any{number},
			"responses": object{"200": answer("The job.", job), "default": problem},
		}},
		"/jobs/{number}/events": object{"get": object{
			"operationId": "listEvents", "summary": "The job's history as it is hashed.",
			"parameters": []any{number, query("after", "Only events after this sequence number.", object{"type": "integer", "minimum": 0})},
			"responses":  object{"200": answer("The events.", ref(Events{})), "default": problem},
		}},
		"/jobs/{number}/notices": object{"get": object{
			"operationId": "listNotices", "summary": "The job's notices and their fate.", "parameters": []any{number},
			"responses": object{"200": answer("The notices.", ref(Notices{})), "default": problem},
		}},
		"/jobs/{number}/photos": object{"post": object{
			"operationId": "addPhoto", "summary": "Add a picture: JPEG, PNG, WebP or HEIC.", "parameters": []any{number, once, match},
			"requestBody": object{"required": true, "content": object{"multipart/form-data": object{"schema": object{
				"type": "object", "required": []any{"photo", "kind"},
				"properties": object{
					"photo":   object{"type": "string", "contentMediaType": "application/octet-stream"},
					"kind":    object{"type": "string", "enum": anys(workflow.PhotoKinds())},
					"caption": object{"type": "string", "maxLength": workflow.MaxLine}, "alt": object{"type": "string", "maxLength": workflow.MaxLine},
				},
			}}}},
			"responses": object{"200": answer("The job.", job), "default": problem},
		}},
	}
	for _, x := range actions {
		cmd := x.make()
		paths["/jobs/{number}/"+x.Name] = object{"post": object{
			"operationId": "do" + typeName(cmd), "summary": x.Summary, "parameters": []any{number, once, match},
			"requestBody": object{"required": true, "content": object{"application/json": object{"schema": ref(reflect.ValueOf(cmd).Elem().Interface())}}},
			"responses":   object{"200": answer("The job.", job), "default": problem},
		}}
	}
	return json.MarshalIndent(object{
		"openapi": "3.1.0",
		"info": object{
			"title": "benchword", "version": "1",
			"description": "Every action of the counter. Instants are RFC 3339 in UTC, amounts of money texts with their currency.",
			"license":     object{"name": "Apache-2.0", "identifier": "Apache-2.0"},
		},
		"servers":  []any{object{"url": "/api/v1"}},
		"security": []any{object{"token": []any{}}},
		"paths":    paths,
		"components": object{
			"schemas":         defs,
			"securitySchemes": object{"token": object{"type": "http", "scheme": "bearer", "description": "Made with “benchword token add”."}},
		},
	}, "", " ")
}

func anys[T any](list []T) []any {
	out := make([]any, len(list))
	for i, x := range list {
		out[i] = x
	}
	return out
}

// named keeps the schemas of the domain and of this package apart where they share a name.
func named(t reflect.Type) string {
	if _, isRequest := reflect.New(t).Interface().(request); isRequest || t == reflect.TypeFor[QuoteOption]() {
		return "Ask" + t.Name()
	}
	if t.PkgPath() == reflect.TypeFor[Job]().PkgPath() && t.Name() != "Job" {
		return "Shown" + t.Name()
	}
	return t.Name()
}

// mapped gives the schema of what is not a plain struct.
func mapped(t reflect.Type) *jsonschema.Schema {
	text := func(what string, values []any) *jsonschema.Schema {
		return &jsonschema.Schema{Type: "string", Description: what, Enum: values}
	}
	switch t {
	case reflect.TypeFor[time.Time]():
		return &jsonschema.Schema{Type: "string", Format: "date-time"}
	case reflect.TypeFor[money.Amount]():
		return text("An amount with its currency, as “138.00 CAD”.", nil)
	case reflect.TypeFor[money.Decimal]():
		return text("An exact decimal number.", nil)
	case reflect.TypeFor[money.Result](), reflect.TypeFor[money.Request]():
		return &jsonschema.Schema{Type: "object", Description: "As “benchword price” reads and answers it."}
	case reflect.TypeFor[json.RawMessage]():
		return &jsonschema.Schema{Type: "object"}
	case reflect.TypeFor[workflow.Stage]():
		return text("A stage.", anys(workflow.Stages))
	case reflect.TypeFor[workflow.Outcome]():
		return text("How the job ends; empty for the one that follows from where it stands.", append(anys(workflow.Outcomes), ""))
	case reflect.TypeFor[workflow.Origin]():
		return text("Where a finding comes from.", anys(workflow.Origins))
	case reflect.TypeFor[workflow.Weight]():
		return text("How much it matters.", anys(workflow.Weights))
	case reflect.TypeFor[workflow.Certainty]():
		return text("How it is known.", append(anys(workflow.Certainties), ""))
	case reflect.TypeFor[workflow.HoldReason]():
		return text("Who is waited for.", anys(workflow.HoldReasons))
	case reflect.TypeFor[workflow.PhotoKind]():
		return text("What a photo is for.", anys(workflow.PhotoKinds()))
	case reflect.TypeFor[workflow.OptionKind]():
		return text("A way on.", anys(workflow.OptionKinds))
	case reflect.TypeFor[link.Purpose]():
		return text("What a link is for.", nil)
	case reflect.TypeFor[workflow.Quota]():
		return &jsonschema.Schema{Type: "object", Description: "Working hours, working days, or a date."}
	case reflect.TypeFor[workflow.Sealed]():
		return text("A salted digest of personal data.", nil)
	}
	return nil
}
