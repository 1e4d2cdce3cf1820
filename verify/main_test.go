package verify

import (
	"flag"
	"os"
	"testing"
)

// TestMain makes every property run over at least 10,000 generated histories;
// -rapid.checks=N asks for another number.
func TestMain(m *testing.M) {
	flag.Parse()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if !asked {
		if err := flag.Set("rapid.checks", "10000"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
