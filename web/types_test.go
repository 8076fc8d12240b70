package web

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// The modules of the page are plain JavaScript whose types stand in JSDoc; the
// TypeScript compiler holds them, and all the words they use.
func TestTypes(t *testing.T) {
	if testing.Short() {
		t.Skip("the compiler takes some seconds")
	}
	path, err := exec.LookPath("tsc")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("no TypeScript compiler found; CI must have one (Debian: apt-get install node-typescript)")
		}
		t.Skip("no TypeScript compiler found (Debian: apt-get install node-typescript)")
	}
	languages, err := filepath.Glob("assets/js/words/*.js")
	if err != nil || len(languages) == 0 {
		t.Fatal(err, languages)
	}
	out, err := exec.CommandContext(t.Context(), path, append(languages, "--noEmit", "--checkJs", "--allowJs", "--strict", "--noUnusedLocals", "--noUnusedParameters",
		"--target", "es2022", "--module", "es2022", "--moduleResolution", "node", "--lib", "es2022,dom,dom.iterable",
		"assets/js/main.js", "assets/js/theme.js")...).CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
