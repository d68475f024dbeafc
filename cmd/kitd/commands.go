package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"runtime/debug"
	"time"

	"kitd/internal/access"
	"kitd/internal/exposure"
	"kitd/internal/store"
)

func errorsJoin(errs ...error) error { return errors.Join(errs...) }

// within opens the house for one command, without changing the schema, and closes it again.
func within(ctx context.Context, s settings, fn func(*house) error) error {
	h, err := open(ctx, s, time.Now, slog.New(slog.DiscardHandler), false)
	if err != nil {
		return err
	}
	return errors.Join(fn(h), h.close())
}

type exposureCmd struct {
	Profiles bool   `help:"List the regulation profiles with their parameters and sources."`
	File     string `arg:"" optional:"" help:"JSON document, or - for standard input."`
}

// documentLimit bounds a document on the command line; histories come as CSV beside it.
const documentLimit = 64 << 20

// Run computes one document.
func (c *exposureCmd) Run(s streams) error {
	if c.Profiles {
		out, err := exposure.ProfilesJSON()
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.out, "%s\n", out)
		return err
	}
	if c.File == "" {
		return errors.New("give a file, or - for standard input; `kitd exposure --help`")
	}
	doc, err := readDocument(c.File, s.in)
	if err != nil {
		return err
	}
	out, err := exposure.Run(doc, exposure.Options{Open: func(path string) (io.ReadCloser, error) { return os.Open(path) }})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s\n", out)
	return err
}

func readDocument(name string, stdin io.Reader) ([]byte, error) {
	in := stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	doc, err := io.ReadAll(io.LimitReader(in, documentLimit+1))
	if err == nil && len(doc) > documentLimit {
		err = fmt.Errorf("%s is larger than 64 MiB; name long histories by \"csv\"", name)
	}
	return doc, err
}

type runCmd struct {
	Job  string `arg:"" help:"One of: reassess, reminders, post, seal, sweep."`
	AsOf string `name:"as-of" help:"Reminders: announce what is due by this moment, RFC 3339." placeholder:"INSTANT"`
	settings
}

// Run runs one job and prints what it did.
func (c *runCmd) Run(ctx context.Context, s streams) error {
	j, ok := jobNamed(c.Job)
	if !ok {
		return fmt.Errorf("there is no job %q; there are %s", c.Job, jobNames())
	}
	var asOf time.Time
	if c.AsOf != "" {
		var err error
		if asOf, err = time.Parse(time.RFC3339, c.AsOf); err != nil {
			return fmt.Errorf("--as-of %q: write an instant such as 2026-12-01T08:00:00Z", c.AsOf)
		}
		if j.name != "reminders" {
			return fmt.Errorf("--as-of goes with the job reminders only")
		}
	}
	return within(ctx, c.settings, func(h *house) error {
		h.asOf = asOf
		said, err := h.runJob(ctx, j)
		if err == nil {
			fmt.Fprintf(s.out, "%s: %s\n", j.name, said)
		}
		return err
	})
}

type backupCmd struct {
	File string `arg:"" help:"Where to write the copy; must not exist."`
	settings
}

// Run writes a backup.
func (c *backupCmd) Run(ctx context.Context, s streams) error {
	return within(ctx, c.settings, func(h *house) error {
		if err := h.db.Backup(ctx, c.File); err != nil {
			return err
		}
		fmt.Fprintf(s.out, "backup written to %s\n", c.File)
		return nil
	})
}

type restoreCmd struct {
	File    string `arg:"" help:"Backup to restore." type:"existingfile"`
	Replace bool   `help:"Replace a database that exists; it is set aside, not deleted."`
	settings
}

// Run restores a backup after checking it.
func (c *restoreCmd) Run(ctx context.Context, s streams) error {
	if err := store.Restore(ctx, c.File, store.Config{DSN: c.Database, Now: time.Now}, c.Replace); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "restored %s into %s\n", c.File, c.Database)
	return nil
}

type checkCmd struct{ settings }

// Run checks the database; findings make it fail.
func (c *checkCmd) Run(ctx context.Context, s streams) error {
	return within(ctx, c.settings, func(h *house) error {
		findings, err := h.db.Check(ctx)
		if err != nil {
			return err
		}
		for _, f := range findings {
			fmt.Fprintf(s.out, "%s: %s\n", f.Check, f.Text)
		}
		if len(findings) > 0 {
			return fmt.Errorf("%d findings", len(findings))
		}
		for _, name := range store.Checks() {
			fmt.Fprintf(s.out, "%s: nothing found\n", name)
		}
		return nil
	})
}

type traceCmd struct {
	Tag string `arg:"" help:"Tag of a dosimeter or calibrator."`
	settings
}

// Run prints a unit's certificates and the results that rest on it, as JSON.
func (c *traceCmd) Run(ctx context.Context, s streams) error {
	return within(ctx, c.settings, func(h *house) error {
		trace, err := h.trace(ctx, access.System("trace", access.ViaCommand), c.Tag)
		if err != nil {
			return err
		}
		enc := json.NewEncoder(s.out)
		enc.SetIndent("", "  ")
		return enc.Encode(trace)
	})
}

type configCmd struct{ settings }

// Run prints the effective settings.
func (c *configCmd) Run(s streams) error {
	if err := c.check(); err != nil {
		return err
	}
	return c.print(s.out)
}

type versionCmd struct{}

// Run prints the version and what it was built from.
func (c *versionCmd) Run(s streams) error {
	_, err := fmt.Fprintf(s.out, "kitd %s, engine %s\n", version(), exposure.EngineVersion)
	return err
}

// version is the module's version, or the commit it was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	for _, kv := range info.Settings {
		if kv.Key == "vcs.revision" && len(kv.Value) >= 12 {
			return info.Main.Version + " " + kv.Value[:12]
		}
	}
	return info.Main.Version
}
