package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
)

type versionCommand struct{}

// Run implements the command.
func (versionCommand) Run(s *streams) error {
	v, revision := "unknown", ""
	if info, ok := debug.ReadBuildInfo(); ok {
		v = info.Main.Version
		for _, x := range info.Settings {
			if x.Key == "vcs.revision" {
				revision = " " + x.Value
			}
		}
	}
	_, err := fmt.Fprintf(s.out, "diastole %s%s %s %s/%s\n", v, revision, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}
