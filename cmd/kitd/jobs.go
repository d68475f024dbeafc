package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/robfig/cron/v3"

	"kitd/internal/access"
)

// job is one line of the table of timed work. Every job may run at any time and any number of times: what is due is decided by
// the domain from what is stored, never by the tick.
type job struct {
	name string
	spec string // cron, in UTC
	help string
	run  func(h *house, ctx context.Context, who access.Actor) (string, error)
}

var jobs = []job{
	{"reassess", "* * * * *", "re-place or mark bookings that reality has broken", reassess},
	{"reminders", "* * * * *", "announce certificates that end", remind},
	{"post", "* * * * *", "send what waits in the outbox", deliver},
	{"seal", "* * * * *", "chain new audit entries", seal},
	{"replay-mail", "29 4 * * *", "handle anew the mail that kitd broke over", replayMail},
	{"sweep", "17 * * * *", "drop unfinished uploads and expired answers", sweep},
}

func reassess(h *house, ctx context.Context, who access.Actor) (string, error) {
	moved, err := h.desk.Reassess(ctx, who)
	return fmt.Sprintf("%d bookings changed", len(moved)), err
}

func remind(h *house, ctx context.Context, who access.Actor) (string, error) {
	moment := h.asOf
	if moment.IsZero() {
		moment = h.now()
	}
	swept, err := h.clerk.Sweep(ctx, who, moment)
	return fmt.Sprintf("%d occasions announced in %d messages", swept.Occasions, swept.Messages), err
}

func deliver(h *house, ctx context.Context, who access.Actor) (string, error) {
	if h.post == nil {
		return "no mail server is set; messages wait in the outbox", nil
	}
	posted, err := h.post.Deliver(ctx, who)
	return fmt.Sprintf("%d sent, %d to try later, %d dead, %d of unknown outcome", posted.Sent, posted.Later, posted.Dead, posted.Unknown), err
}

func seal(h *house, ctx context.Context, _ access.Actor) (string, error) {
	n, err := h.db.Seal(ctx, h.me)
	return fmt.Sprintf("%d entries sealed", n), err
}

func sweep(h *house, ctx context.Context, _ access.Actor) (string, error) {
	files, err := h.db.SweepFiles(ctx, h.now().Add(-24*time.Hour))
	if err != nil {
		return "", err
	}
	answers, err := h.db.SweepAnswers(ctx)
	return fmt.Sprintf("%d unfinished uploads, %d answers dropped", files, answers), err
}

// term bounds one run of a job; the lease lasts as long, so that a process that died does not stop the job for good.
const term = 5 * time.Minute

// runJob runs one job under its lease; where another process holds it nothing is done.
func (h *house) runJob(ctx context.Context, j job) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, term)
	defer cancel()
	holder := h.newID().String()
	ours, err := h.db.Lease(ctx, "job "+j.name, holder, term)
	if err != nil {
		return "", err
	}
	if !ours {
		return "another process is at it", nil
	}
	said, err := j.run(h, ctx, access.System(j.name, access.ViaJob))
	return said, errorsJoin(err, h.db.Release(context.WithoutCancel(ctx), "job "+j.name, holder))
}

// guards let one run of a job follow the other and outlive its mistakes. Recover stands inside: a panic that passed
// SkipIfStillRunning would leave the job marked as running for ever.
func guards(l cron.Logger) []cron.JobWrapper {
	return []cron.JobWrapper{cron.SkipIfStillRunning(l), cron.Recover(l)}
}

// startJobs runs the table until stop is called; stop waits for the jobs under way.
func (h *house) startJobs(ctx context.Context) (stop func(), err error) {
	table := cron.New(cron.WithLocation(time.UTC), cron.WithChain(guards(cronLog{h})...))
	for _, j := range jobs {
		_, err := table.AddFunc(j.spec, func() {
			said, err := h.runJob(ctx, j)
			if err != nil && ctx.Err() == nil {
				h.log.Error("job failed", "job", j.name, "error", err)
				return
			}
			h.log.Debug("job done", "job", j.name, "result", said)
		})
		if err != nil {
			return nil, fmt.Errorf("job %s: %w", j.name, err)
		}
	}
	table.Start()
	return func() { <-table.Stop().Done() }, nil
}

// cronLog gives the cron library the program's own log.
type cronLog struct{ h *house }

func (l cronLog) Info(msg string, pairs ...any) { l.h.log.Debug("cron: "+msg, pairs...) }
func (l cronLog) Error(err error, msg string, pairs ...any) {
	l.h.log.Error("cron: "+msg, append(pairs, "error", err)...)
}

func jobNames() string {
	names := make([]string, len(jobs))
	for i, j := range jobs {
		names[i] = j.name
	}
	return strings.Join(names, ", ")
}

func jobNamed(name string) (job, bool) {
	for _, j := range jobs {
		if j.name == name {
			return j, true
		}
	}
	return job{}, false
}
