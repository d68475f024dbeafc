package main

import (
	"bytes"
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"

	"github.com/robfig/cron/v3"
)

func TestAJobOutlivesItsPanic(t *testing.T) {
	runs := 0
	j := cron.NewChain(guards(cronLog{&house{log: slog.New(slog.DiscardHandler)}})...).Then(cron.FuncJob(func() {
		if runs++; runs == 1 {
			panic("once")
		}
	}))
	j.Run()
	j.Run()
	if runs != 2 {
		t.Errorf("the job ran %d times of 2", runs)
	}
}

// A command that was stopped has not done what it was asked for, and says so to the script that called it.
func TestAStoppedCommandFails(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	var out, errs bytes.Buffer
	path := filepath.Join(t.TempDir(), "kitd.db")
	code := run(ctx, []string{"serve", "--database", "sqlite:" + path}, streams{strings.NewReader(""), &out, &errs})
	if code != exitFailed || errs.Len() == 0 {
		t.Errorf("exit code %d, %q; want %d and a sentence", code, errs.String(), exitFailed)
	}
}
