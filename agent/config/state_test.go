package config

import (
	"os"
	"testing"
)

// The order is the contract's: state_dir, $STATE_DIRECTORY, /var/lib/diastole, ./diastole-state.
func TestStatePath(t *testing.T) {
	c := &Config{StateDir: "/elsewhere"}
	t.Setenv("STATE_DIRECTORY", "/var/lib/one:/var/lib/two")
	if got := c.StatePath(); got != "/elsewhere" {
		t.Errorf("state_dir: got %q", got)
	}
	c.StateDir = ""
	if got := c.StatePath(); got != "/var/lib/one" {
		t.Errorf("$STATE_DIRECTORY: got %q", got)
	}
	t.Setenv("STATE_DIRECTORY", "")
	want := "diastole-state"
	if info, err := os.Stat("/var/lib/diastole"); err == nil && info.IsDir() && os.Geteuid() == 0 {
		want = "/var/lib/diastole"
	}
	if got := c.StatePath(); got != want {
		t.Errorf("nothing stated: got %q, want %q", got, want)
	}
}

func TestWritable(t *testing.T) {
	dir := t.TempDir()
	if !writable(dir) {
		t.Errorf("%s is not writable", dir)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 0 {
		t.Errorf("the trial left %v, %v", left, err)
	}
	if writable(dir + "/missing") {
		t.Error("a folder that does not exist is writable")
	}
}
