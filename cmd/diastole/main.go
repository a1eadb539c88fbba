// Command diastole watches air-operated double-diaphragm pumps and says which one needs which rebuild kit.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"diastole/agent/config"
)

// The exit codes, which are documented.
const (
	exitDone    = 0
	exitFailed  = 1
	exitUsage   = 2
	exitInvalid = 3
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

// commands is the command line.
type commands struct {
	LogLevel slog.Level `help:"least severe level that is logged: debug, info, warn or error" default:"info"`

	Demo     demoCommand     `cmd:"" help:"watch six simulated pumps wear; nothing needs to be installed"`
	Run      runCommand      `cmd:"" help:"run the agent"`
	Check    checkCommand    `cmd:"" help:"validate a configuration, and say what its channels can show of each pump"`
	Discover discoverCommand `cmd:"" help:"listen to a broker and propose a configuration"`
	Import   importCommand   `cmd:"" help:"make a recording of a historian's export in CSV"`
	Record   recordCommand   `cmd:"" help:"write a recording of the configured topics"`
	Replay   replayCommand   `cmd:"" help:"run recordings through the agent's own code, at full speed"`
	Simulate simulateCommand `cmd:"" help:"play a scenario of simulated pumps into a recording, or map a pump's steady duty"`
	Tickets  ticketsCommand  `cmd:"" help:"list, show and move on tickets of a running agent"`
	Rebuilt  rebuiltCommand  `cmd:"" help:"record a rebuild of a pump: what was replaced, and what was found"`
	Swapped  swappedCommand  `cmd:"" help:"say that another pump body stands at a position"`
	Relearn  relearnCommand  `cmd:"" help:"begin a new baseline without a rebuild, after another hose, product or damper"`
	Shelve   shelveCommand   `cmd:"" help:"put an advisory aside for a time, or bring it back"`
	Stock    stockCommand    `cmd:"" help:"list the kits on the shelf"`
	Plan     planCommand     `cmd:"" help:"say which pump needs which kit in the weeks to come, and what to order"`
	Schema   schemaCommand   `cmd:"" help:"print the JSON Schema of the configuration or of the events"`
	Version  versionCommand  `cmd:"" help:"print the version"`
}

// io is what commands write to: results to out, everything else to the log and to err.
type streams struct {
	out, err io.Writer
	log      *slog.Logger
}

// run is main without the process.
func run(args []string, stdout, stderr io.Writer) int {
	var c commands
	code := -1
	parser, err := kong.New(&c,
		kong.Name("diastole"),
		kong.Description("Watches air-operated double-diaphragm pumps and says which one needs which rebuild kit, when, and why.\n\n"+
			"Exit codes: 0 done, 1 failed, 2 wrong usage, 3 invalid configuration."),
		kong.Writers(stdout, stderr),
		kong.Exit(func(n int) { code = n }),
		kong.UsageOnError(),
	)
	if err != nil {
		fmt.Fprintln(stderr, err)
		return exitFailed
	}
	parsed, err := parser.Parse(args)
	if code >= 0 { // help was asked for
		return code
	}
	if err != nil {
		fmt.Fprintf(stderr, "diastole: %v\n", err)
		fmt.Fprintln(stderr, "See diastole --help.")
		return exitUsage
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	s := &streams{out: stdout, err: stderr, log: slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: c.LogLevel}))}
	parsed.BindTo(ctx, (*context.Context)(nil))
	if err := parsed.Run(s); err != nil {
		fmt.Fprintln(stderr, err)
		if _, ok := errors.AsType[*config.InvalidError](err); ok {
			return exitInvalid
		}
		if errors.Is(err, errUsage) {
			return exitUsage
		}
		return exitFailed
	}
	return exitDone
}

// errUsage marks an error that is in the command line.
var errUsage = errors.New("wrong usage")
