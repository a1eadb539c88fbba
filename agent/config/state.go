package config

import (
	"errors"
	"os"
	"path/filepath"
)

// systemStateDir is where a package installs the agent's memory.
const systemStateDir = "/var/lib/diastole"

// StatePath is the folder of the agent's durable state: state_dir of the file, else $STATE_DIRECTORY
// (set by systemd), else /var/lib/diastole where it exists and can be written, else ./diastole-state.
// The folder may not exist yet.
func (c *Config) StatePath() string {
	if c.StateDir != "" {
		return c.StateDir
	}
	// systemd gives several folders as a colon-separated list; ours is the first.
	if dirs := filepath.SplitList(os.Getenv("STATE_DIRECTORY")); len(dirs) > 0 && dirs[0] != "" {
		return dirs[0]
	}
	if writable(systemStateDir) {
		return systemStateDir
	}
	return "diastole-state"
}

// writable tries it: permission bits alone do not tell of a read-only mount.
func writable(dir string) bool {
	f, err := os.CreateTemp(dir, ".writable-*")
	if err != nil {
		return false
	}
	return errors.Join(f.Close(), os.Remove(f.Name())) == nil
}
