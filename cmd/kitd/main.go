// Command kitd keeps a pool of noise dosimeters and calibrators: it knows what is fit, books kits onto survey days through
// calendars, reminds before anything lapses, and computes exposure from what comes back.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	_ "time/tzdata" // zones must not depend on the machine

	"github.com/alecthomas/kong"

	"kitd/internal/fault"
)

// Exit codes: 0 done, 1 failed, 2 used wrongly.
const (
	exitFailed = 1
	exitUsage  = 2
)

// streams are what a command reads and writes; passed in so that tests run the same wiring.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

type cli struct {
	Config string `env:"KITD_CONFIG" help:"TOML file with settings." type:"existingfile" placeholder:"FILE"`

	Demo     demoCmd     `cmd:"" help:"Build an invented pool in a temporary folder and serve it on loopback."`
	Serve    serveCmd    `cmd:"" help:"Serve pages, API and calendars, and run the timed jobs."`
	Exposure exposureCmd `cmd:"" help:"Compute exposure from one JSON document and print one JSON document."`
	Plan     planCmd     `cmd:"" help:"Plan charging or placement from one JSON problem and print one JSON answer."`
	Import   importCmd   `cmd:"" help:"Take a table of the fleet or of certificates in, all of it or nothing."`
	Export   exportCmd   `cmd:"" help:"Write the fleet, certificates, bookings or field checks as a table."`
	Run      runCmd      `cmd:"" help:"Run one timed job now."`
	Trace    traceCmd    `cmd:"" help:"Print what a unit touches: certificates, wears, results."`
	User     userCmd     `cmd:"" help:"Keep accounts from the command line."`
	Backup   backupCmd   `cmd:"" help:"Write a consistent copy of a SQLite database to FILE while kitd runs."`
	Restore  restoreCmd  `cmd:"" help:"Check a backup and put it in the place of the database."`
	Check    checkCmd    `cmd:"" help:"Check integrity: schema, audit chain, file hashes, no double promise."`
	Settings configCmd   `cmd:"" name:"config" help:"Print the effective settings, secrets hidden."`
	Version  versionCmd  `cmd:"" help:"Print the version."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(code)
}

// run parses the arguments and runs one command.
func run(ctx context.Context, args []string, io streams) int {
	var c cli
	parser, err := newParser(&c, ctx, io, args)
	if err != nil {
		fmt.Fprintln(io.err, "kitd:", err)
		return exitUsage
	}
	exited := -1
	parser.Exit = func(code int) { exited = code }
	parsed, err := parser.Parse(args)
	if exited >= 0 {
		return exited
	}
	if err != nil {
		fmt.Fprintln(io.err, "kitd:", err)
		fmt.Fprintln(io.err, "kitd: `kitd --help` and `kitd COMMAND --help` say how it is used")
		return exitUsage
	}
	if err := parsed.Run(); err != nil {
		return report(io.err, err)
	}
	return 0
}

func newParser(c *cli, ctx context.Context, io streams, args []string) (*kong.Kong, error) {
	if err := strangers(); err != nil {
		return nil, err
	}
	file, err := configured(args)
	if err != nil {
		return nil, err
	}
	return kong.New(c,
		kong.Name("kitd"),
		kong.Description("Noise survey kits: fitness, bookings through calendars, reminders, exposure.\n\n"+
			"Exit codes: 0 done, 1 failed, 2 used wrongly."),
		kong.Writers(io.out, io.err),
		kong.Resolvers(resolver(file)),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(io),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}))
}

// configured finds the configuration file before the real parse, because its values take part in that parse.
func configured(args []string) (map[string]any, error) {
	path := os.Getenv("KITD_CONFIG")
	for i, a := range args {
		if a == "--config" && i+1 < len(args) {
			path = args[i+1]
		}
		if len(a) > 9 && a[:9] == "--config=" {
			path = a[9:]
		}
	}
	if path == "" {
		return nil, nil
	}
	return fromFile(path)
}

// report prints an error the way people can act on and gives the exit code.
func report(w io.Writer, err error) int {
	if errors.Is(err, context.Canceled) {
		fmt.Fprintln(w, "kitd: it was stopped before it was done")
		return exitFailed
	}
	var f *fault.Error
	if !errors.As(err, &f) {
		fmt.Fprintln(w, "kitd:", err)
		return exitFailed
	}
	fmt.Fprintln(w, "kitd:", f.Sentence())
	for _, field := range f.Fields {
		if strings.Contains(f.Sentence(), field.Path) && strings.Contains(f.Sentence(), field.Text) {
			continue // the sentence says it already
		}
		fmt.Fprintf(w, "  %s: %s\n", field.Path, field.Text)
	}
	if f.Cause != nil {
		fmt.Fprintln(w, "  cause:", f.Cause)
	}
	return exitFailed
}
