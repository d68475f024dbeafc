package main

import (
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"kitd": main})
}

// TestScripts runs the command line as people type it; each script in testdata/script is one story.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "../../testdata/script", RequireExplicitExec: true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"pool": poolCommand}})
}
