package main

import (
	"context"
	"os"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	time.Local = time.UTC // times of day are shown as they are there; set once, before anything reads it
	testscript.Main(m, map[string]func(){
		"plumbline": func() {
			os.Exit(run(context.Background(), &streams{in: os.Stdin, out: os.Stdout, err: os.Stderr}, os.Args[1:]))
		},
	})
}

// TestScripts runs the commands as a person would, from testdata/script.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "../../testdata/script", RequireExplicitExec: true})
}
