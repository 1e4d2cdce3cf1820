package notes

import "strings"

// manualExample is the worked example of the manual: its lines with four spaces.
func manualExample() string {
	var b strings.Builder
	for line := range strings.Lines(Manual) {
		if strings.HasPrefix(line, "    ") && !strings.HasPrefix(line, "     ") || strings.HasPrefix(line, "      ") && !strings.HasPrefix(line, "       ") || line == "\n" {
			b.WriteString(strings.TrimPrefix(line, "    "))
		}
	}
	return b.String()
}
