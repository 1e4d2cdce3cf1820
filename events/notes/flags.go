package notes

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"mendbook/events"
)

// FromFlags makes a note of what was typed on a command line: top are whole lines
// such as "odometer 214880 km" or "lamp engine on"; units are "NAME [at ADDRESS]:
// LINE, LINE, …", such as "engine: P0302 present, P0455 stored" or "tailgate:
// silent". Inside a unit a comma begins the next line, so lists are joined by +.
//
// The text is ready for Parse, which gives no other errors than for times that the
// workshop's zone does not have. Any error is an [Errors] without line numbers that
// quotes the flag.
func FromFlags(top []string, units []string) ([]byte, error) {
	var b strings.Builder
	var errs Errors
	var origin []string // the flag of each line
	refuse := func(flag, hint, format string, args ...any) {
		errs = append(errs, Error{Text: fmt.Sprintf("in %q: ", clip(flag)) + fmt.Sprintf(format, args...), Hint: hint})
	}
	add := func(flag, text string) {
		b.WriteString(text + "\n")
		origin = append(origin, flag)
	}
	whole := func(flag, part string) (line, bool) {
		l := lex(part)
		switch {
		case strings.ContainsAny(part, "\n\r"):
			refuse(flag, `write \n inside quotation marks for a new line`, "a line break")
		case l.comment:
			refuse(flag, "put the text in quotation marks", "a # after a space would begin a comment")
		case len(l.toks) == 0:
			refuse(flag, "write it like \"engine: P0302 present\"", "nothing is written, or no name")
		default:
			return l, true
		}
		return l, false
	}
	for _, flag := range top {
		l, ok := whole(flag, flag)
		if ok && l.toks[0].is("unit") {
			refuse(flag, "", "a unit is not given here")
			ok = false
		}
		if ok {
			add(flag, flag)
		}
	}
	for _, flag := range units {
		head, rest := cutHead(flag)
		if _, ok := whole(flag, head); !ok {
			continue
		}
		var body line
		if strings.TrimSpace(rest) != "" {
			var ok bool
			if body, ok = whole(flag, rest); !ok {
				continue
			}
		}
		var parts []string
		for _, item := range bodyItems(body) {
			parts = append(parts, body.source(item))
		}
		if len(parts) > 0 && reachItem(parts[0]) {
			head += " " + parts[0]
			parts = parts[1:]
		}
		add(flag, "unit "+head)
		for _, part := range parts {
			switch inner := lex(part); {
			case len(inner.toks) == 0:
				refuse(flag, "write it like \"engine: P0302 present, P0455 stored\"", "an entry of the list is empty")
			case inner.toks[0].is("unit") || inner.toks[0].is(topWords()...) && !strings.HasPrefix(events.Fold(part), "lamp commanded"):
				refuse(flag, "give it on its own, outside the unit", "%q does not belong to a unit", inner.toks[0].text)
			default:
				add(flag, part)
			}
		}
	}
	text := []byte(b.String())
	if len(errs) > 0 {
		return nil, errs
	}
	_, err := Parse(text, time.UTC)
	var found Errors
	if errors.As(err, &found) {
		for _, e := range found {
			hint := strings.ReplaceAll(e.Hint, `write a line like "unit engine" and its codes, or "no codes", below it`, "give a unit, like \"engine: P0302 present\"")
			switch {
			case e.Line > len(origin) || len(origin) == 0 || e.Line == 1 && len(units) == 0 && strings.HasPrefix(e.Text, "the note names no unit"):
				errs = append(errs, Error{Text: e.Text, Hint: hint})
			default:
				errs = append(errs, Error{Text: fmt.Sprintf("in %q: %s", clip(origin[e.Line-1]), flagWords(e.Text, origin)), Hint: hint})
			}
		}
		return nil, errs
	}
	if err != nil {
		return nil, err
	}
	return text, nil
}

// flagWords replaces a line number, which means nothing to who typed flags.
func flagWords(text string, origin []string) string {
	i := strings.LastIndex(text, ", on line ")
	if i < 0 {
		return text
	}
	var n int
	if _, err := fmt.Sscanf(text[i:], ", on line %d", &n); err != nil || n < 1 || n > len(origin) {
		return text
	}
	return fmt.Sprintf("%s, in %q", text[:i], clip(origin[n-1]))
}

// cutHead parts a unit flag at its first colon that is not inside a quoted name.
func cutHead(flag string) (head, body string) {
	flag = strings.TrimSpace(flag)
	from := 0
	if strings.HasPrefix(flag, `"`) {
		if end, ok := closing(flag, 0); ok {
			from = end
		}
	}
	i := strings.IndexByte(flag[from:], ':')
	if i < 0 {
		return flag, ""
	}
	return flag[:from+i], flag[from+i+1:]
}

// bodyItems parts a unit flag at its commas; a plus sign stays inside a line.
func bodyItems(body line) [][]token {
	if len(body.toks) == 0 {
		return nil
	}
	toks := slices.Clone(body.toks)
	for i := range toks {
		toks[i].sep = toks[i].sep && toks[i].text == ","
	}
	return items(toks)
}

// source is the source of an item, quotation marks included.
func (l line) source(item []token) string {
	if len(item) == 0 {
		return ""
	}
	return l.src[item[0].start:item[len(item)-1].end]
}

func reachItem(part string) bool {
	l := lex(part)
	if len(l.toks) == 0 || len(l.toks) > 2 {
		return false
	}
	return l.toks[0].is("refused") || len(l.toks) == 1 && l.toks[0].is("silent", "skipped", "truncated", "answered")
}
