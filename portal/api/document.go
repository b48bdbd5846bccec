package api

import (
	"bytes"
	"encoding/json"
	"maps"
	"reflect"
	"strings"
	"sync"
	"time"

	"benchword/portal"
	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"

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

// problems is where the type of a problem leads: what each kind means.
func (a *api) problems(c *fiber.Ctx) error {
	c.Set(fiber.HeaderContentType, fiber.MIMETextPlainCharsetUTF8)
	return c.SendString(problemWords)
}

const problemWords = `The kinds of problem that this interface answers with (RFC 9457). The type of a problem ends in
"#" and one of these; its detail is a sentence for a person, its field names the input it is about,
its missing lists what a refused step still needs.

invalid    The request can't be accepted as it stands; correct it and send it again.
refused    The job's state does not allow the step now.
conflict   Somebody else changed the job in between; with If-Match the status is 412.
not_found  There is no such job, or it is not for you to know about.
forbidden  Your token's role does not include the step.
gone       What the request is about was there and has ended.
internal   A failure of ours; the log has the cause under the request's id. Try again later.
http       The request is at odds with the protocol: no token, wrong content type, too large, and
           the like. The status says what.
`

// object is a JSON object of the document.
type object = map[string]any

// Document returns the OpenAPI 3.1 document of the interface.
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
	headed := func(what string, schema object, more ...string) object {
		a := answer(what, schema)
		h := object{"ETag": object{"description": "The job's version, for If-Match.", "required": true, "schema": object{"type": "string", "pattern": `^"[0-9]+"$`}}}
		for i := 0; i+1 < len(more); i += 2 {
			h[more[i]] = object{"description": more[i+1], "schema": object{"type": "string"}}
		}
		a["headers"] = h
		return a
	}
	const replayed, replayedWords = "Idempotent-Replayed", "“true” where the answer is the one that the first request with this Idempotency-Key got."
	problem := object{"description": "A problem, as in RFC 9457: detail is a sentence for a person.", "content": object{"application/problem+json": object{"schema": ref(portal.Problem{})}}}
	plain := func(what string) object {
		return object{"description": what, "content": object{"text/plain": object{"schema": object{"type": "string"}}}}
	}
	header := func(name, what string) object {
		return object{"name": name, "in": "header", "required": false, "description": what, "schema": object{"type": "string", "maxLength": 200}}
	}
	body := func(v any) object {
		s := ref(v)
		needed := len(defs[strings.TrimPrefix(s["$ref"].(string), "#/components/schemas/")].Required) > 0
		return object{"required": needed, "content": object{"application/json": object{"schema": s}}}
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
					query("stage", "Only this stage.", object{"type": "string", "enum": anys(workflow.Stages)}),
					query("ended", "Those that ended instead of those that run.", object{"type": "string", "enum": []any{"true", "false"}}),
					query("after", "From the “more” of an earlier answer.", object{"type": "string"}),
				},
				"responses": object{"200": answer("The jobs.", ref(Rows{})), "default": problem},
			},
			"post": object{
				"operationId": "bookJob", "summary": "Begin a job.", "parameters": []any{once},
				"requestBody": body(workflow.Book{}),
				"responses":   object{"201": headed("The job.", job, replayed, replayedWords, "Location", "The job's address."), "default": problem},
			},
		},
		"/jobs/{number}": object{"get": object{
			"operationId": "showJob", "summary": "A job as it stands.", "parameters": []any{number},
			"responses": object{"200": headed("The job.", job), "default": problem},
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
			"responses": object{"200": headed("The job.", job, replayed, replayedWords), "default": problem},
		}},
		"/openapi.json": object{"get": object{
			"operationId": "showDocument", "summary": "This document.", "security": []any{},
			"responses": object{"200": answer("The document.", object{"type": "object"}), "default": problem},
		}},
		"/problems": object{"get": object{
			"operationId": "showProblems", "summary": "What the kinds of problem mean.", "security": []any{},
			"responses": object{"200": plain("A list for people."), "default": problem},
		}},
	}
	for _, x := range routes {
		cmd := bodyOf(x)
		paths["/jobs/{number}/"+x.Name] = object{"post": object{
			"operationId": "do" + typeName(cmd), "summary": x.Summary, "parameters": []any{number, once, match},
			"requestBody": body(reflect.ValueOf(cmd).Elem().Interface()),
			"responses":   object{"200": headed("The job.", job, replayed, replayedWords), "default": problem},
		}}
	}
	for name, s := range defs {
		for _, field := range givenBack[name] {
			if f, ok := s.Properties.Get(field); ok {
				f.ReadOnly = true
			}
		}
	}
	whole, err := json.MarshalIndent(object{
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
	// The schemas refer to each other as they would in a document of their own.
	return bytes.ReplaceAll(whole, []byte(`"#/$defs/`), []byte(`"#/components/schemas/`)), err
}

// givenBack are the fields, by schema, that an answer has and a request need not: a caller may send back
// what it was given, but they are not for it to say.
var givenBack = map[string][]string{
	"Item": {"id"}, "Check": {"at"}, "Test": {"at"}, "Finding": {"at", "withdrawn", "reason"}, "Duty": {"id", "done_at", "waived", "danger"},
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

// choices are the types that are one of a few texts, with what they say.
var choices = map[reflect.Type]struct {
	words  string
	values []any
}{
	reflect.TypeFor[workflow.Stage]():           {"A stage; “at_once” is only of a duty.", append(anys(workflow.Stages), workflow.AtOnce)},
	reflect.TypeFor[workflow.Outcome]():         {"How the job ends; left out, the one that follows from where it stands.", anys(workflow.Outcomes)},
	reflect.TypeFor[workflow.Origin]():          {"Where a finding comes from.", anys(workflow.Origins)},
	reflect.TypeFor[workflow.Weight]():          {"How much it matters.", anys(workflow.Weights)},
	reflect.TypeFor[workflow.Certainty]():       {"How it is known.", anys(workflow.Certainties)},
	reflect.TypeFor[workflow.HoldReason]():      {"Who is waited for.", anys(workflow.HoldReasons)},
	reflect.TypeFor[workflow.PhotoKind]():       {"What a photo is for.", anys(workflow.PhotoKinds())},
	reflect.TypeFor[workflow.OptionKind]():      {"What an option is; “return” is only in earlier quotes.", append(anys(workflow.OptionKinds), workflow.OptionReturn)},
	reflect.TypeFor[money.LineKind]():           {"What a line of a price is for; a credit takes money off.", anys(money.LineKinds)},
	reflect.TypeFor[workflow.Answer]():          {"The answer to a screening question.", []any{workflow.Yes, workflow.No, workflow.Unknown}},
	reflect.TypeFor[workflow.ReturnBy]():        {"How the customer wants it back; left out, they have not said.", anys(workflow.ReturnBys)},
	reflect.TypeFor[workflow.DataLeave]():       {"What may be done with the data on the device; left out, they have not said.", anys(workflow.DataLeaves)},
	reflect.TypeFor[workflow.Fate]():            {"Where an item of the contents went.", []any{workflow.FateReturned, workflow.FateReplaced, workflow.FateRecycled, workflow.FateKept}},
	reflect.TypeFor[workflow.Reproduced]():      {"Whether the fault was seen at the bench.", anys(workflow.Reproductions)},
	reflect.TypeFor[workflow.NotTriedReason]():  {"Why the fault was not tried.", anys(workflow.NotTriedReasons)},
	reflect.TypeFor[workflow.CheckOutcome]():    {"What came of a check.", []any{workflow.CheckConfirmed, workflow.CheckRuledOut, workflow.CheckUnclear}},
	reflect.TypeFor[workflow.ValueIs]():         {"How a measured value is meant; left out, exactly so.", anys(workflow.ValueKinds)},
	reflect.TypeFor[workflow.Waveform]():        {"The kind of current or voltage.", anys(workflow.Waveforms)},
	reflect.TypeFor[workflow.ProtectionClass](): {"How a device protects against electric shock.", anys(workflow.ProtectionClasses)},
	reflect.TypeFor[workflow.StepKey]():         {"A step of the safety test that every language has words for.", anys(workflow.StepKeys)},
	reflect.TypeFor[workflow.StepResult]():      {"What came of a step.", anys(workflow.StepResults)},
	reflect.TypeFor[workflow.Grade]():           {"What kind of part was fitted.", anys(workflow.Grades)},
	reflect.TypeFor[workflow.MarkKind]():        {"The shape of a mark.", []any{workflow.MarkRing, workflow.MarkArrow, workflow.MarkPoint, workflow.MarkBlur}},
	reflect.TypeFor[workflow.Verdict]():         {"Yes, no, or a question.", []any{workflow.VerdictApprove, workflow.VerdictDecline, workflow.VerdictAsk}},
	reflect.TypeFor[workflow.QuoteState](): {"Where a revision stands.", []any{workflow.RevisionOpen, workflow.RevisionApproved, workflow.RevisionDeclined,
		workflow.RevisionWithdrawn, workflow.RevisionSuperseded, workflow.RevisionExpired}},
	reflect.TypeFor[workflow.EntryState]():  {"Where a notice stands in the outbox.", []any{workflow.EntryQueued, workflow.EntrySent, workflow.EntryBuried}},
	reflect.TypeFor[promiseclock.Account](): {"Whose time a pause is.", []any{promiseclock.AccountBench, promiseclock.AccountCustomer, promiseclock.AccountParts, promiseclock.AccountCarrier}},
	reflect.TypeFor[workflow.Role](): {"Who acted.", []any{workflow.RoleBench, workflow.RoleCounter, workflow.RoleOwner, workflow.RoleCustomer,
		workflow.RoleSystem}},
	reflect.TypeFor[workflow.NoticeKind](): {"What a notice is about.", noticeKinds()},
}

func noticeKinds() []any {
	var out []any
	for _, r := range workflow.NoticeTable() {
		out = append(out, r.Notice)
	}
	return out
}

// mapped returns the schema of what is not a plain struct.
func mapped(t reflect.Type) *jsonschema.Schema {
	if c, ok := choices[t]; ok {
		return &jsonschema.Schema{Type: "string", Description: c.words, Enum: c.values}
	}
	text := func(what, pattern string) *jsonschema.Schema {
		return &jsonschema.Schema{Type: "string", Description: what, Pattern: pattern}
	}
	switch t {
	case reflect.TypeFor[time.Time]():
		return &jsonschema.Schema{Type: "string", Format: "date-time"}
	case reflect.TypeFor[money.Amount]():
		return text("An amount with its currency, as “138.00 CAD”.", `^-?[0-9]+(\.[0-9]+)? [A-Z]{3}$`)
	case reflect.TypeFor[money.Decimal]():
		return text("An exact decimal number.", `^-?[0-9]+(\.[0-9]+)?$`)
	case reflect.TypeFor[money.Result](), reflect.TypeFor[money.Request]():
		return &jsonschema.Schema{Type: "object", Description: "As “benchword price” reads and answers it."}
	case reflect.TypeFor[workflow.Words]():
		return &jsonschema.Schema{Type: "string"}
	case reflect.TypeFor[json.RawMessage]():
		return &jsonschema.Schema{Type: "object"}
	case reflect.TypeFor[workflow.JobNumber]():
		return text("A job number, as “K7M2QX8”; dashes, spaces and small letters are read, too.", "")
	case reflect.TypeFor[promiseclock.Quota]():
		return &jsonschema.Schema{Type: "object", Description: "Working hours, working days, or a date."}
	}
	return nil
}
