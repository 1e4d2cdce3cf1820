package events

import (
	"bytes"
	"encoding"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"reflect"
	"slices"
	"strings"
)

// locate finds every field of raw that does not fit into t, which the standard
// decoder does not tell: it stops at the first, and does not say where a text
// inside a value was refused. Names count in their exact case.
func locate(t reflect.Type, raw []byte) error {
	var p Problems
	var value json.RawMessage
	d := json.NewDecoder(bytes.NewReader(raw))
	if err := d.Decode(&value); err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("not JSON: %w", err)
	}
	if !bytes.HasPrefix(value, []byte("{")) {
		p.Add("data", "want an object")
		return p.Err()
	}
	locateIn(&p, t, value, "")
	return p.Err()
}

func locateIn(p *Problems, t reflect.Type, raw json.RawMessage, path string) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch own := reflect.PointerTo(t); {
	case own.Implements(reflect.TypeFor[json.Unmarshaler]()), own.Implements(reflect.TypeFor[encoding.TextUnmarshaler]()):
	case t.Kind() == reflect.Struct:
		var object map[string]json.RawMessage
		if json.Unmarshal(raw, &object) != nil {
			p.Add(path, "want an object")
			return
		}
		if path != "" {
			path += "."
		}
		for i := range t.NumField() {
			name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
			if value, ok := object[name]; ok {
				locateIn(p, t.Field(i).Type, value, path+name)
				delete(object, name)
			}
		}
		for _, name := range slices.Sorted(maps.Keys(object)) {
			p.Add(path+name, "no such field")
		}
		return
	case t.Kind() == reflect.Slice && t.Elem() != reflect.TypeFor[byte]():
		var list []json.RawMessage
		if json.Unmarshal(raw, &list) != nil {
			p.Add(path, "want a list")
			return
		}
		for i, value := range list {
			locateIn(p, t.Elem(), value, fmt.Sprintf("%s[%d]", path, i))
		}
		return
	}
	err := json.Unmarshal(raw, reflect.New(t).Interface())
	if mismatch, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
		p.Add(path, "a JSON %s does not fit here", mismatch.Value)
	} else if err != nil {
		p.Add(path, "%v", err)
	}
}
