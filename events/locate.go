package events

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
)

// locate finds the field that made decoding raw into t fail with err: the
// standard decoder does not say where a text inside a value was refused.
func locate(t reflect.Type, raw []byte, path string, err error) error {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	own := reflect.PointerTo(t)
	switch {
	case own.Implements(reflect.TypeFor[json.Unmarshaler]()):
	case t.Kind() == reflect.Struct:
		var object map[string]json.RawMessage
		if json.Unmarshal(raw, &object) != nil {
			return Invalid{{strings.TrimSuffix(path, "."), "want an object"}}
		}
		fields := jsonFields(t)
		for name, value := range object {
			ft, ok := fields[name]
			if !ok {
				return Invalid{{path + name, "no such field"}}
			}
			if err := decodeOne(ft, value); err != nil {
				return locate(ft, value, path+name+".", err)
			}
		}
	case t.Kind() == reflect.Slice && t.Elem().Kind() != reflect.Uint8:
		var list []json.RawMessage
		if json.Unmarshal(raw, &list) != nil {
			return Invalid{{strings.TrimSuffix(path, "."), "want a list"}}
		}
		for i, value := range list {
			if err := decodeOne(t.Elem(), value); err != nil {
				return locate(t.Elem(), value, fmt.Sprintf("%s[%d].", strings.TrimSuffix(path, "."), i), err)
			}
		}
	}
	reason := err.Error()
	if mismatch, ok := err.(*json.UnmarshalTypeError); ok {
		reason = fmt.Sprintf("a JSON %s does not fit here", mismatch.Value)
	}
	field := strings.TrimSuffix(path, ".")
	if field == "" {
		field = "data"
	}
	return Invalid{{field, reason}}
}

func decodeOne(t reflect.Type, raw []byte) error {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	return d.Decode(reflect.New(t).Interface())
}

func jsonFields(t reflect.Type) map[string]reflect.Type {
	fields := map[string]reflect.Type{}
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		if name != "" && name != "-" {
			fields[name] = t.Field(i).Type
		}
	}
	return fields
}
