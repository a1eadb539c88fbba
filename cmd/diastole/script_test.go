package main

import (
	"errors"
	"flag"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"diastole/agent/intake"
	"diastole/agent/intake/recording"
)

var update = flag.Bool("update", false, "write what the scripts compare with anew")

// TestMain makes this test program the command too, where it is started under the command's name.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"diastole": main})
}

// TestScripts runs testdata/script: each is a session of a user with the command line.
func TestScripts(t *testing.T) {
	data, err := filepath.Abs(filepath.Join("..", "..", "testdata", "e2e"))
	if err != nil {
		t.Fatal(err)
	}
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("testdata", "script"),
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		Setup: func(env *testscript.Env) error {
			env.Setenv("DATA", data)
			env.Setenv("ROOT", root)
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"exits": exits, "split": split},
	})
}

// exits runs a command that ends with a code: exits CODE COMMAND ARG...
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE COMMAND ARG...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		exit, ok := errors.AsType[*exec.ExitError](err)
		if !ok {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

// split writes the messages of a recording whose topic holds a word into one file and the others into another, as two recorders would
// have got them: split RECORDING WORD WITH WITHOUT
func split(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: split RECORDING WORD WITH WITHOUT")
	}
	in, err := recording.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	defer in.Close()
	with, err := recording.Create(ts.MkAbs(args[2]))
	ts.Check(err)
	without, err := recording.Create(ts.MkAbs(args[3]))
	ts.Check(err)
	for {
		var m intake.Message
		if m, err = in.Next(); err != nil {
			break
		}
		out := without
		if strings.Contains(m.Topic, args[1]) {
			out = with
		}
		ts.Check(out.Write(m))
	}
	if !errors.Is(err, io.EOF) {
		ts.Check(err)
	}
	ts.Check(errors.Join(with.Close(), without.Close()))
}

// program is the command as a process of its own.
func program(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return &exec.Cmd{Path: self, Args: append([]string{"diastole"}, args...)}
}
