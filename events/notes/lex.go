package notes

import (
	"bytes"
	"encoding/json"
	"strings"
	"unicode"
	"unicode/utf8"
)

// token is a word, a quoted text, or a separator of list items.
type token struct {
	text   string // a quoted one without its quotation marks and escapes
	quoted bool
	bad    bool // begins with a quotation mark that does not enclose it
	sep    bool // a comma, or a plus sign standing alone
	// start and end are byte offsets in the line, column counts characters from 1.
	start, end, column int
}

// is reports whether the token is one of the words, in either case, unquoted.
func (t token) is(words ...string) bool {
	if t.quoted || t.sep {
		return false
	}
	for _, w := range words {
		if strings.EqualFold(t.text, w) {
			return true
		}
	}
	return false
}

// line is a line of a note in tokens, its comment taken off.
type line struct {
	src     string
	toks    []token
	comment bool
}

// lex cuts a line into tokens. A '#' at the start or after white space begins a
// comment, a '"' at the start of a word a quoted text.
func lex(src string) line {
	l := line{src: src}
	column, spaced := 1, true
	for i := 0; i < len(src); {
		r, size := utf8.DecodeRuneInString(src[i:])
		switch {
		case unicode.IsSpace(r):
			i, column, spaced = i+size, column+1, true
			continue
		case r == '#' && spaced:
			l.comment = true
			return l
		case r == ',':
			l.toks = append(l.toks, token{text: ",", sep: true, start: i, end: i + 1, column: column})
			i, column, spaced = i+1, column+1, false
			continue
		}
		t := token{start: i, column: column}
		if r == '"' {
			if end, text, ok := quotedAt(src, i); ok {
				t.text, t.quoted, t.end = text, true, end
			} else {
				t.bad = true
			}
		}
		if !t.quoted {
			t.end = i + strings.IndexFunc(src[i:]+" ", func(r rune) bool { return unicode.IsSpace(r) || r == ',' })
			t.text = src[i:t.end]
			t.sep = t.text == "+"
		}
		l.toks = append(l.toks, t)
		column += utf8.RuneCountInString(src[i:t.end])
		i, spaced = t.end, false
	}
	return l
}

// quotedAt reads the JSON string that begins at i and ends a word.
func quotedAt(src string, i int) (end int, text string, ok bool) {
	end, ok = closing(src, i)
	if !ok {
		return 0, "", false
	}
	if after, _ := utf8.DecodeRuneInString(src[end:]); end < len(src) && after != ',' && !unicode.IsSpace(after) {
		return 0, "", false
	}
	if json.Unmarshal([]byte(src[i:end]), &text) != nil {
		return 0, "", false
	}
	return end, text, true
}

// closing finds the end of the quoted text that begins at i.
func closing(src string, i int) (end int, ok bool) {
	for end = i + 1; end < len(src); end++ {
		switch src[end] {
		case '\\':
			end++
		case '"':
			return end + 1, true
		}
	}
	return 0, false
}

// text is the free text of toks, which stand beside each other in the line: the
// inside of a lone quoted text, else all as it was typed.
func (l line) text(toks []token) string {
	switch len(toks) {
	case 0:
		return ""
	case 1:
		return toks[0].text
	}
	return l.src[toks[0].start:toks[len(toks)-1].end]
}

// name is a name of one or more words, with one space between them.
func (l line) name(toks []token) (string, *Error) {
	for _, t := range toks {
		switch {
		case t.bad:
			return "", unclosed(t)
		case t.quoted && len(toks) > 1:
			return "", fail(t, "put the whole name in quotation marks, or none of it", "only a part of the name is in quotation marks")
		}
	}
	if len(toks) == 1 {
		return toks[0].text, nil
	}
	return strings.Join(strings.Fields(l.text(toks)), " "), nil
}

func unclosed(t token) *Error {
	return fail(t, `write "…" around the whole text, with \" for a mark inside`, "a quotation mark that encloses no text")
}

// items parts toks at their separators.
func items(toks []token) [][]token {
	var out [][]token
	from := 0
	for i := 0; i <= len(toks); i++ {
		if i == len(toks) || toks[i].sep {
			out = append(out, toks[from:i])
			from = i + 1
		}
	}
	return out
}

// Quote gives text in double quotation marks, as a JSON string: a form in which any
// text can stand in a note.
func Quote(text string) string {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(text) // a string always encodes
	return strings.TrimSuffix(b.String(), "\n")
}

// plain gives s as it is where a line reads it back so, else quoted.
func plain(s string, readsBack func(candidate string) bool) string {
	if !strings.ContainsAny(s, "\n\r") && s != "" && readsBack(s) {
		return s
	}
	return Quote(s)
}

// plainText is plain for free text to the end of a line.
func plainText(s string) string {
	return plain(s, func(candidate string) bool {
		l := lex("x " + candidate)
		return !l.comment && len(l.toks) > 1 && !l.toks[1].quoted && l.text(l.toks[1:]) == s
	})
}
