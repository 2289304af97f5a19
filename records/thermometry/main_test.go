package thermometry_test

import (
	"flag"
	"os"
	"testing"
)

// TestMain fixes the seed of the property tests, so that a run repeats itself;
// -rapid.seed and -rapid.checks on the command line still win.
func TestMain(m *testing.M) {
	for name, value := range map[string]string{"rapid.seed": "20260302", "rapid.nofailfile": "true"} {
		if err := flag.Set(name, value); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
