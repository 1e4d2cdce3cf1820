package events

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	invopop "github.com/invopop/jsonschema"
	santhosh "github.com/santhosh-tekuri/jsonschema/v6"

	"mendbook/events/fault"
	"mendbook/events/quantity"
	"mendbook/events/vin"
)

var update = flag.Bool("update", false, "write SCHEMA.md and schema.json anew")

const (
	idPattern   = `^[0-7][0-9A-HJKMNP-TV-Z]{25}$`
	timePattern = `^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{0,2}[1-9])?Z$`
	number      = `-?(0|[1-9][0-9]*)(\.[0-9]+)?`
)

// leaf is the schema of a value with a text form of its own. The title is what
// SCHEMA.md shows as its type.
func leaf(t reflect.Type) *invopop.Schema {
	text := func(title, pattern, description string) *invopop.Schema {
		return &invopop.Schema{Type: "string", Title: title, Pattern: pattern, Description: description}
	}
	words := func(title string, list []string) *invopop.Schema {
		s := &invopop.Schema{Type: "string", Title: title}
		for _, w := range list {
			s.Enum = append(s.Enum, w)
		}
		return s
	}
	switch t {
	case reflect.TypeFor[ID]():
		return text("id", idPattern, "")
	case reflect.TypeFor[Time]():
		return text("time", timePattern, "")
	case reflect.TypeFor[[]byte]():
		return &invopop.Schema{Type: "string", Title: "bytes in base 64", ContentEncoding: "base64", Pattern: `^([A-Za-z0-9+/]{4})*([A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?$`}
	case reflect.TypeFor[vin.VIN]():
		return text("VIN", `^[0-9A-HJ-NPR-Z]{17}$`, "")
	case reflect.TypeFor[fault.Code]():
		return text("code", `^(.{1,32})$`, "")
	case reflect.TypeFor[fault.Status]():
		return text("status byte", `^[0-9A-F]{2}$`, "")
	case reflect.TypeFor[fault.State]():
		return words("word", []string{fault.StatePresent.String(), fault.StatePending.String(), fault.StateStored.String()})
	case reflect.TypeFor[fault.View]():
		return words("word", texts(fault.Views()))
	case reflect.TypeFor[fault.Monitor]():
		return words("word", texts(fault.Monitors()))
	case reflect.TypeFor[quantity.Number]():
		return text("number", `^`+number+`$`, "")
	case reflect.TypeFor[quantity.Distance]():
		return text("distance", `^(0|[1-9][0-9]*)(\.[0-9]+)? (km|mi)$`, "")
	case reflect.TypeFor[quantity.Measure]():
		return text("measure", `^`+number+` [^ ]{1,16}$`, "")
	case reflect.TypeFor[quantity.Money]():
		return text("money", `^`+number+` [A-Z]{3}$`, "")
	}
	if w, ok := reflect.Zero(t).Interface().(interface{ Values() []string }); ok {
		return words("word", w.Values())
	}
	return nil
}

func texts[T fmt.Stringer](list []T) []string {
	var out []string
	for _, v := range list {
		out = append(out, v.String())
	}
	return out
}

// common are the fields that mean the same in every kind.
func common(field string) string {
	return map[string]string{
		"By": "who, by the name used in the workshop", "Note": "free words", "Job": "the job it belongs to",
		"Why": "the reason, in words", "Unit": "the unit in plain words", "Name": "its name", "Odometer": "the odometer as read",
		"Lamps": "warning lamps as a person saw them", "Units": "one entry for each unit", "State": "how it was seen",
		"Aliases": "the other names", "Amount": "how much money", "Complaint": "what the driver reports", "Component": "what it was done to",
		"Feed": "the name of that feed", "Size": "how many events it had", "Distance": "how far", "Minutes": "for how many minutes",
		"Engine": "the engine: in a scan whether it ran, of a vehicle which it has", "Event": "the event taken back", "From": "the job it returns from",
		"Fuel": "what it runs on", "Low": "the low limit, in the value's unit", "High": "the high limit, in the value's unit",
		"Ignition": "the position of the key", "Into": "the job that stays", "Labour": "what the labour cost", "Make": "the make", "Model": "the model",
		"Outcome": "how the claim ended", "Batch": "the batch number", "Number": "the part number", "Serial": "the serial number",
		"How": "how it got a new memory", "Ruling": "why the vehicle came back", "Code": "the trouble code", "At": "when it was stored, by the unit",
		"Address": "where it answers, as hex digits", "Value": "the value", "Reach": "whether the unit answered", "Result": "what the unit made of it",
		"WarmUps": "warm-up cycles, 0 to 255", "Software": "software identifications, as printed", "VIN": "the VIN the unit holds",
	}[field]
}

func buildSchema(t *testing.T) *invopop.Schema {
	t.Helper()
	r := &invopop.Reflector{Anonymous: true, Mapper: leaf}
	if err := r.AddGoComments("mendbook/events", ".", invopop.WithFullComment()); err != nil {
		t.Fatal(err)
	}
	for k, v := range r.CommentMap {
		v, _, _ = strings.Cut(v, "\n\nVersion history:")
		r.CommentMap[k] = strings.Join(strings.Fields(v), " ")
	}
	r.LookupComment = func(t reflect.Type, field string) string {
		if r.CommentMap["mendbook/events."+t.Name()+"."+field] == "" {
			return common(field)
		}
		return ""
	}
	str := func(pattern, description string) *invopop.Schema {
		return &invopop.Schema{Type: "string", Pattern: pattern, Description: description}
	}
	place := func(description string) *invopop.Schema {
		return &invopop.Schema{Type: "integer", Minimum: "1", Maximum: "2147483647", Description: description}
	}
	root := &invopop.Schema{
		Version:       "https://json-schema.org/draft/2020-12/schema",
		ID:            "urn:mendbook:schema:events",
		Title:         "An event of the book",
		Description:   "A CloudEvents 1.0 envelope with the data of its kind. A type that is not listed here is a newer program's: its data is any object. The schema tells the form; that the bytes have one encoding (order, no white space) is told in SCHEMA.md.",
		Type:          "object",
		Definitions:   invopop.Definitions{},
		Properties:    invopop.NewProperties(),
		Required:      []string{"specversion", "id", "source", "type", "time", "feedseq", "data"},
		PropertyNames: &invopop.Schema{Pattern: `^[a-z0-9]{1,20}$`},
		AdditionalProperties: &invopop.Schema{AnyOf: []*invopop.Schema{{Type: "string"}, {Type: "boolean"},
			{Type: "integer", Minimum: "-2147483648", Maximum: "2147483647"}}},
		DependentRequired: map[string][]string{"prevseq": {"prevhash"}, "prevhash": {"prevseq"}},
	}
	set := root.Properties.Set
	set("specversion", &invopop.Schema{Const: "1.0", Type: "string", Description: "the version of CloudEvents"})
	set("id", str(idPattern, "a ULID; its time is the recording machine's logical clock"))
	set("source", str(`^urn:mendbook:feed:[a-z0-9]{1,64}$`, "the feed the event stands in"))
	set("type", str(`^mendbook\.[a-z0-9]+(\.[a-z0-9]+)+\.v[1-9][0-9]*$`, "the kind and its version"))
	set("subject", str(idPattern, "the vehicle; absent for what concerns the whole workshop"))
	set("time", str(timePattern, "the wall clock of the recording machine, UTC"))
	set("feedseq", place("the place in the feed, without gaps"))
	set("prevseq", place("the place of the previous event of the same vehicle in this feed"))
	set("prevhash", str(`^[A-Za-z0-9+/]{43}=$`, "the leaf hash of that event, 32 bytes in base 64"))
	set("at", str(timePattern, "when the work happened, where that was not the moment of recording"))
	set("data", &invopop.Schema{Type: "object", Description: "what happened, by the type"})
	for _, k := range Known().Kinds() {
		s := r.Reflect(k.New())
		for name, def := range s.Definitions {
			root.Definitions[name] = def
		}
		// Older versions have types of their own, so two kinds never share a name.
		when, then := invopop.NewProperties(), invopop.NewProperties()
		when.Set("type", &invopop.Schema{Const: typePrefix + k.Type})
		then.Set("data", &invopop.Schema{Ref: s.Ref})
		rule := &invopop.Schema{Properties: then}
		switch k.Scope {
		case ScopeVehicle, ScopeNew:
			rule.Required = []string{"subject"}
		case ScopeWorkshop:
			rule.Not = &invopop.Schema{Required: []string{"subject"}}
		}
		root.AllOf = append(root.AllOf, &invopop.Schema{
			If: &invopop.Schema{Properties: when, Required: []string{"type"}}, Then: rule})
	}
	return root
}

func refName(ref string) string { return strings.TrimPrefix(ref, "#/$defs/") }

func cell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }

// row writes a field of the SCHEMA.md table and, below it, the fields inside it.
func row(b *bytes.Buffer, defs invopop.Definitions, name string, s *invopop.Schema, required bool) {
	typ, inside, list := s.Title, s.Ref, false
	field := name[strings.LastIndex(name, ".")+1:]
	item := s
	if s.Type == "array" {
		item, list, name = s.Items, true, name+"[]"
		inside = item.Ref
		typ = item.Title
	}
	switch {
	case inside != "":
		typ = "object"
	case typ == "" && item.Type == "object":
		typ = "object"
	case typ == "" && item.Type == "string":
		typ = "text"
	case typ == "" && item.Type == "integer":
		typ = "whole number"
	case typ == "" && item.Type == "boolean":
		typ = "true or false"
	}
	if list {
		typ = "list of " + typ
	}
	var words []string
	for _, w := range item.Enum {
		words = append(words, fmt.Sprintf("`%v`", w))
	}
	yes := ""
	if required {
		yes = "yes"
	}
	meaning := s.Description
	for _, verb := range []string{" is ", " are "} {
		if head, rest, ok := strings.Cut(meaning, verb); ok && strings.EqualFold(head, field) {
			meaning = rest
		}
	}
	if meaning == "" && inside != "" {
		meaning = defs[refName(inside)].Description
	}
	fmt.Fprintf(b, "| `%s` | %s | %s | %s | %s |\n", name, typ, yes, strings.Join(words, ", "), cell(meaning))
	if inside != "" {
		rows(b, defs, name+".", defs[refName(inside)])
	}
}

func rows(b *bytes.Buffer, defs invopop.Definitions, prefix string, s *invopop.Schema) {
	for p := s.Properties.Oldest(); p != nil; p = p.Next() {
		row(b, defs, prefix+p.Key, p.Value, slices.Contains(s.Required, p.Key))
	}
}

const schemaHead = "# The events\n\nWritten by `go test ./events -run TestSchema -update`; do not edit. The same for programs: `schema.json`\n" +
	"(JSON Schema, draft 2020-12).\n\n## The envelope\n\n" +
	"Every event is one CloudEvents 1.0 object in JSON, in UTF-8, at most %d bytes, nested at most %d deep, without white\n" +
	"space, its attributes in this order, each at most once. Attributes of newer programs (names of a-z and 0-9, at most 20;\n" +
	"a string, a whole number of 32 bits, or true or false) stand before `data`, sorted by name, and are kept. A type that is\n" +
	"not listed below is kept and shown as unknown.\n\n"

const schemaTypes = "\nTypes of the tables below:\n\n| type | form |\n| --- | --- |\n" +
	"| id | a ULID, 26 characters in upper case |\n" +
	"| time | RFC 3339 in UTC, to the millisecond: `2026-03-02T09:12:44.5Z` |\n" +
	"| number | digits as a string, never a JSON number: `\"0.75\"` |\n" +
	"| distance | a number and `km` or `mi`: `\"214880 km\"` |\n" +
	"| measure | a number and the unit as read: `\"12.4 V\"` |\n" +
	"| money | a number and a currency of three letters: `\"84.50 EUR\"` |\n" +
	"| code | `P0302`, `P0741-07`, `SPN 1208 FMI 3`, or a maker's code as printed |\n" +
	"| status byte | two hex digits in upper case: `2F` |\n" +
	"| VIN | 17 characters in upper case |\n" +
	"| text | free words; names at most 80 characters on one line, notes at most 4000 |\n" +
	"| word | one of the words allowed |\n\n" +
	"Lists hold at most 10000 entries. A field that is not required is left out where it is not known. Data has one encoding\n" +
	"too: its fields in the order of the table, no white space.\n"

func markdown(root *invopop.Schema) []byte {
	var b bytes.Buffer
	table := "| field | type | required | words allowed | meaning |\n| --- | --- | --- | --- | --- |\n"
	fmt.Fprintf(&b, schemaHead, MaxBytes, MaxDepth)
	b.WriteString(table)
	rows(&b, root.Definitions, "", &invopop.Schema{Properties: root.Properties, Required: root.Required})
	b.WriteString(schemaTypes)
	scope := map[Scope]string{ScopeVehicle: "a vehicle", ScopeNew: "its own id", ScopeWorkshop: "none", ScopeAny: "that of the event it speaks of"}
	for _, k := range Known().Kinds() {
		def := root.Definitions[reflect.TypeOf(k.New()).Elem().Name()]
		fmt.Fprintf(&b, "\n## %s%s\n\n%s. Subject: %s.\n\n%s", typePrefix, k.Type, strings.ToUpper(k.Doc[:1])+k.Doc[1:], scope[k.Scope], table)
		rows(&b, root.Definitions, "", def)
	}
	return b.Bytes()
}

// emptyMeanings finds rows without a meaning, which a reader could not use.
func emptyMeanings(md []byte) (out []string) {
	for line := range strings.Lines(string(md)) {
		if strings.HasPrefix(line, "| `") && strings.HasSuffix(line, "|  |\n") {
			out = append(out, strings.Fields(line)[1])
		}
	}
	return out
}

func TestSchema(t *testing.T) {
	root := buildSchema(t)
	var j bytes.Buffer
	enc := json.NewEncoder(&j)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(root); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string][]byte{"schema.json": j.Bytes(), "SCHEMA.md": markdown(root)} {
		if *update {
			if err := os.WriteFile(name, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		have, err := os.ReadFile(name)
		if have = bytes.ReplaceAll(have, []byte("\r\n"), []byte("\n")); err != nil || !bytes.Equal(have, want) {
			t.Errorf("%s does not say what the program does (%v); run: go test ./events -run TestSchema -update", name, err)
		}
	}
	if empty := emptyMeanings(markdown(root)); len(empty) > 0 {
		t.Errorf("fields without a meaning: %v; give the Go field a comment", empty)
	}
	for _, k := range Known().Kinds() {
		name := reflect.TypeOf(k.New()).Elem().Name()
		for p := root.Definitions[name].Properties.Oldest(); p != nil; p = p.Next() {
			if p.Value.Type == "" && p.Value.Ref == "" {
				t.Errorf("%s.%s has no type", name, p.Key)
			}
		}
	}
}

// The written schema, read by an independent library, takes every frozen sample
// and refuses what the program refuses.
func TestSchemaJudges(t *testing.T) {
	raw, err := os.ReadFile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := santhosh.UnmarshalJSON(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	c := santhosh.NewCompiler()
	if err := c.AddResource("urn:mendbook:schema:events", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("urn:mendbook:schema:events")
	if err != nil {
		t.Fatal(err)
	}
	judge := func(raw []byte) error {
		v, err := santhosh.UnmarshalJSON(bytes.NewReader(raw))
		if err != nil {
			t.Fatal(err)
		}
		return schema.Validate(v)
	}
	all := samples(t)
	for typ, raw := range all {
		if err := judge(raw); err != nil {
			t.Errorf("%s: %v", typ, err)
		}
		// No kind has this field, and every known kind says which it has.
		if _, ok := Known().Lookup(typ); ok && judge(bytes.Replace(raw, []byte(`"data":{`), []byte(`"data":{"nosuch":1,`), 1)) == nil {
			t.Errorf("%s: an unknown field was taken", typ)
		}
	}
	for name, c := range map[string]struct{ typ, old, new string }{
		"word":          {"drive.done.v1", `"mixed"`, `"sideways"`},
		"distance":      {"drive.done.v1", `"18.5 km"`, `"18,5 km"`},
		"bare number":   {"repair.done.v1", `"hours":"1.25"`, `"hours":1.25`},
		"status":        {"scan.taken.v1", `"2F"`, `"2f"`},
		"required":      {"repair.done.v1", `"action":"replaced",`, ``},
		"id":            {"claim.settled.v1", `"claim":"01`, `"claim":"91`},
		"no subject":    {"key.cycled.v1", `"subject"`, `"subjekt"`},
		"extra subject": {"policy.set.v1", `"time"`, `"subject":"` + anID + `","time"`},
		"hash alone":    {"key.cycled.v1", `"prevseq":9,`, ``},
		"money":         {"claim.filed.v1", `84.50 EUR`, `84.50 eur`},
	} {
		bad := bytes.Replace(all[c.typ], []byte(c.old), []byte(c.new), 1)
		if bytes.Equal(bad, all[c.typ]) {
			t.Errorf("%s: %q is not in the sample", name, c.old)
		} else if judge(bad) == nil {
			t.Errorf("%s: taken", name)
		}
	}
	if err := judge([]byte(swap(t, "key.cycled.v1", "tyre.changed.v3"))); err != nil {
		t.Errorf("unknown type: %v", err)
	}
}
