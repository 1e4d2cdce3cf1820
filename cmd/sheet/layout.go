package sheet

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/mattn/go-runewidth"
)

// columns counts the columns of a text. The same on every machine: the locale
// does not decide how wide ambiguous characters are.
func columns(s string) int {
	c := runewidth.Condition{StrictEmojiNeutral: true}
	return c.StringWidth(s)
}

// clean shows what does not print, line breaks and direction marks among it, as
// an escape such as \n or \u202e.
func clean(s string) string {
	if strings.IndexFunc(s, func(r rune) bool { return !unicode.IsPrint(r) || r == utf8.RuneError }) < 0 {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(s[i:], "\uFFFD"):
			b.WriteString(`\x` + strconv.FormatUint(uint64(s[i]), 16))
		case unicode.IsPrint(r):
			b.WriteRune(r)
		default:
			quoted := strconv.QuoteRune(r)
			b.WriteString(quoted[1 : len(quoted)-1])
		}
	}
	return b.String()
}

// wrap breaks a text at its spaces into lines of at most width columns, and a
// word that is longer than that wherever it must. It gives at least one line.
func wrap(s string, width int) []string {
	width = max(width, 1)
	var lines []string
	line := ""
	for _, word := range words(s, width) {
		switch {
		case line == "":
		case columns(line)+1+columns(word) <= width:
			line += " " + word
			continue
		default:
			lines = append(lines, line)
		}
		for columns(word) > width {
			cut := fit(word, width)
			lines = append(lines, word[:cut])
			word = word[cut:]
		}
		line = word
	}
	if line != "" || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}

// words parts a text at its spaces; a date and its time of day are one word.
func words(s string, width int) []string {
	var out []string
	for _, w := range strings.Fields(s) {
		if n := len(out); n > 0 && clock(w) && date(out[n-1]) && columns(out[n-1])+1+columns(w) <= width {
			out[n-1] += " " + w
			continue
		}
		out = append(out, w)
	}
	return out
}

func date(w string) bool { return shaped(strings.TrimLeft(w, "("), "0000-00-00") }

func clock(w string) bool { return shaped(w, "00:00") }

// shaped tells whether a word begins with digits where the form has a 0, and with
// the form's own characters elsewhere.
func shaped(w, form string) bool {
	if len(w) < len(form) {
		return false
	}
	for i := range len(form) {
		digit := w[i] >= '0' && w[i] <= '9'
		if form[i] == '0' && !digit || form[i] != '0' && w[i] != form[i] {
			return false
		}
	}
	return true
}

// fit is how many bytes of a word go into width columns, one character at least.
func fit(word string, width int) int {
	_, n := utf8.DecodeRuneInString(word)
	for n < len(word) {
		_, next := utf8.DecodeRuneInString(word[n:])
		if columns(word[:n+next]) > width {
			break
		}
		n += next
	}
	return n
}

// paint is a colour of the terminal; what it tells stands there in a word too.
type paint string

const (
	plain  paint = ""
	bold   paint = "1"
	red    paint = "31"
	green  paint = "32"
	yellow paint = "33"
)

// row is one entry of a table.
type row struct {
	cells []string
	paint paint // of the last cell
	below []note
}

// note is a text below a row, wrapped and indented.
type note struct {
	label, text string
}

const gap = 2 // columns between two cells

// page writes lines of a set width.
type page struct {
	b      strings.Builder
	width  int
	colour bool
}

func (p *page) line(s string) {
	p.b.WriteString(strings.TrimRight(s, " "))
	p.b.WriteByte('\n')
}

func (p *page) coat(s string, c paint) string {
	if !p.colour || c == plain || s == "" {
		return s
	}
	return "\x1b[" + string(c) + "m" + s + "\x1b[0m"
}

// para writes a wrapped text behind a label; its other lines stand below the text,
// or a little in from the label where that is long.
func (p *page) para(indent int, label, text string, c paint) {
	indent = min(indent, p.width/4)
	hang := indent + columns(label)
	if hang > p.width/3 {
		text, label, hang = label+text, "", indent+gap
		lines := wrap(text, p.width-hang)
		for i, l := range lines {
			p.line(strings.Repeat(" ", indent+min(i, 1)*gap) + p.coat(l, c))
		}
		return
	}
	for i, l := range wrap(text, p.width-hang) {
		lead := strings.Repeat(" ", indent) + label
		if i > 0 {
			lead = strings.Repeat(" ", hang)
		}
		p.line(lead + p.coat(l, c))
	}
}

// heading begins a section.
func (p *page) heading(s string) {
	p.line("")
	longest := 0
	for _, l := range wrap(s, p.width) {
		p.line(p.coat(l, bold))
		longest = max(longest, columns(l))
	}
	p.line(strings.Repeat("-", longest))
}

// rows writes a table, or where the page is too narrow for one a block for each
// row with the first cells, as many as titles, as its title.
func (p *page) rows(head []string, titles int, list []row) {
	if p.width < narrow {
		p.blocks(head, titles, list)
		return
	}
	widths := fitColumns(head, list, p.width)
	p.cells(head, widths, plain)
	total := (len(widths) - 1) * gap
	for _, w := range widths {
		total += w
	}
	p.line(strings.Repeat("-", total))
	for _, r := range list {
		p.cells(r.cells, widths, r.paint)
		for _, n := range r.below {
			p.para(4, label(n.label), n.text, plain)
		}
	}
}

func label(s string) string {
	if s == "" {
		return ""
	}
	return s + ": "
}

// cells writes one row; a cell that is too long for its column goes on below.
func (p *page) cells(cells []string, widths []int, c paint) {
	parts := make([][]string, len(cells))
	height := 1
	for i, cell := range cells {
		parts[i] = wrap(cell, widths[i])
		height = max(height, len(parts[i]))
	}
	for y := range height {
		var b strings.Builder
		for i := range cells {
			text := ""
			if y < len(parts[i]) {
				text = parts[i][y]
			}
			pad := strings.Repeat(" ", widths[i]-columns(text)+gap)
			if i == len(cells)-1 {
				text, pad = p.coat(text, c), ""
			}
			b.WriteString(text + pad)
		}
		p.line(b.String())
	}
}

// fitColumns gives each column the width of its longest cell, and takes from the
// widest column where the page has not enough.
func fitColumns(head []string, list []row, width int) []int {
	widths := make([]int, len(head))
	for i, h := range head {
		widths[i] = columns(h)
		for _, r := range list {
			widths[i] = max(widths[i], columns(r.cells[i]))
		}
	}
	for {
		total, widest := (len(widths)-1)*gap, 0
		for i, w := range widths {
			total += w
			if w > widths[widest] {
				widest = i
			}
		}
		if total <= width || widths[widest] <= 6 {
			return widths
		}
		widths[widest]--
	}
}

func (p *page) blocks(head []string, titles int, list []row) {
	for i, r := range list {
		if i > 0 {
			p.line("")
		}
		p.para(0, "", strings.Join(nonEmpty(r.cells[:titles]), "  "), bold)
		for j := titles; j < len(head); j++ {
			c := plain
			if j == len(head)-1 {
				c = r.paint
			}
			if r.cells[j] != "" {
				p.para(2, label(head[j]), r.cells[j], c)
			}
		}
		for _, n := range r.below {
			p.para(2, label(n.label), n.text, plain)
		}
	}
}

func nonEmpty(list []string) []string {
	var out []string
	for _, s := range list {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

// Wrap shows a text of the book safely, in lines of at most width columns.
func Wrap(text string, width int) []string { return wrap(clean(text), width) }
