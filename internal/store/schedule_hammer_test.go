package store_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// The test binary plays a desk of 16 clerks when this names a database; it writes "ack ID VERSION" for each answer it got.
const playDesk = "KITD_TEST_PLAY_DESK"

const clerks = 16

func TestPlayDesk(t *testing.T) {
	dsn := os.Getenv(playDesk)
	if dsn == "" {
		t.Skip("only other tests run this one")
	}
	seed, _ := strconv.ParseUint(os.Getenv(playDesk+"_SEED"), 10, 64)
	turns, _ := strconv.Atoi(os.Getenv(playDesk + "_TURNS"))
	db, err := store.Open(context.Background(), store.Config{DSN: dsn, Now: kittest.NewClock().Now})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	y := find(t, db)
	var out sync.Mutex
	var group sync.WaitGroup
	for clerk := range clerks {
		group.Go(func() {
			c := &clerkAtWork{desk: deskOf(db), y: y, random: rand.New(rand.NewPCG(seed, uint64(clerk)))}
			for i := 0; i < turns; i++ {
				b, err := c.turn()
				out.Lock()
				if err != nil {
					fmt.Println("failed", err)
				} else if !b.ID.IsZero() {
					fmt.Println("ack", b.ID, b.Version)
				}
				out.Unlock()
			}
		})
	}
	group.Wait()
	fmt.Println("done")
}

// clerkAtWork books, moves and cancels at random on the same few units and days.
type clerkAtWork struct {
	desk   *schedule.Desk
	y      yard
	random *rand.Rand
	mine   []schedule.Booking
}

func (c *clerkAtWork) turn() (schedule.Booking, error) {
	ask := schedule.Ask{Dosimeters: 1 + c.random.IntN(2)}
	switch c.random.IntN(4) {
	case 0:
		ask = schedule.Ask{Kit: c.y.kits[c.random.IntN(2)]}
	case 1:
		ask = schedule.Ask{Unit: c.y.units["D-"+strconv.Itoa(1+c.random.IntN(6))]}
	}
	day := 4 + c.random.IntN(20)
	x := on(ask, day, day+c.random.IntN(2))
	var out schedule.Outcome
	var err error
	if len(c.mine) > 0 && c.random.IntN(3) == 0 {
		i := c.random.IntN(len(c.mine))
		now, errGet := c.desk.Get(ctx, who, c.mine[i].ID)
		if errGet != nil {
			return now, errGet
		}
		if c.random.IntN(2) == 0 {
			out, err = c.desk.Move(ctx, who, now.ID, now.Version, x)
		} else {
			c.mine = append(c.mine[:i:i], c.mine[i+1:]...)
			out, err = c.desk.Cancel(ctx, who, now.ID, now.Version, "")
		}
	} else {
		x.For = c.y.account
		if out, err = c.desk.Book(ctx, who, x); err == nil {
			c.mine = append(c.mine, out.Booking)
		}
	}
	var no *schedule.Refusal
	if errors.As(err, &no) || fault.Is(err, fault.Changed) || fault.Is(err, fault.PromiseTaken) || fault.Is(err, fault.Busy) {
		return schedule.Booking{}, nil // an answer too: nothing was stored
	}
	return out.Booking, err
}

// clerksAt starts another process of 16 clerks.
func clerksAt(t *testing.T, h *storetest.House, seed, turns int) (*exec.Cmd, *bufio.Scanner) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestPlayDesk$", "-test.count=1")
	cmd.Env = append(os.Environ(), playDesk+"="+h.DSN, fmt.Sprintf("%s_SEED=%d", playDesk, seed), fmt.Sprintf("%s_TURNS=%d", playDesk, turns))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return cmd, bufio.NewScanner(out)
}

// answers collects what a process acknowledged, until it ends or, with a limit, has given that many.
func answers(t *testing.T, out *bufio.Scanner, limit int, acked map[ident.ID]int) (done bool) {
	t.Helper()
	for n := 0; (limit == 0 || n < limit) && out.Scan(); {
		kind, rest, _ := strings.Cut(out.Text(), " ")
		switch kind {
		case "ack":
			text, version, _ := strings.Cut(rest, " ")
			id, err := ident.Parse(text)
			v, err2 := strconv.Atoi(version)
			if err != nil || err2 != nil {
				t.Fatalf("answer %q", out.Text())
			}
			acked[id] = max(acked[id], v)
			n++
		case "failed":
			t.Errorf("a clerk: %s", rest)
		case "done":
			done = true
		}
	}
	return done
}

// kept reports every acknowledged booking that is not there in at least the version that was answered.
func kept(t *testing.T, h *storetest.House, acked map[ident.ID]int) {
	t.Helper()
	if len(acked) == 0 {
		t.Fatal("nothing was acknowledged")
	}
	for id, version := range acked {
		b, err := deskOf(h.DB).Get(ctx, who, id)
		if err != nil || b.Version < version {
			t.Errorf("booking %v was answered in version %d and is stored in %d, %v", id, version, b.Version, err)
		}
	}
}

// Two processes of 16 clerks each fight for six dosimeters: no unit is promised twice, nothing that was answered is lost.
func TestManyClerksInTwoProcesses(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		plant(t, h)
		acked := []map[ident.ID]int{{}, {}}
		var group sync.WaitGroup
		for i := range acked {
			_, out := clerksAt(t, h, i, 8)
			group.Go(func() {
				if !answers(t, out, 0, acked[i]) {
					t.Error("the clerks did not finish")
				}
			})
		}
		group.Wait()
		for _, a := range acked {
			kept(t, h, a)
		}
		overlaps(t, h)
		sound(t, h)
	})
}

// A desk killed in the middle of its work has lost no booking that it answered, and promised no unit twice.
func TestAKilledDeskLosesNoPromise(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		plant(t, h)
		acked := map[ident.ID]int{}
		for round := range 3 {
			cmd, out := clerksAt(t, h, 100+round, 10000)
			answers(t, out, 10+7*round, acked)
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
			if answers(t, out, 0, acked) {
				t.Fatal("the clerks finished before they were killed")
			}
			_ = cmd.Wait()
		}
		kept(t, h, acked)
		overlaps(t, h)
		sound(t, h)
		booked(t)(deskOf(h.DB).Book(ctx, surveyor(h), onDays(h, 60)))
	})
}

// onDays asks for one dosimeter some days after the clock.
func onDays(h *storetest.House, days int) schedule.Wish {
	x := on(schedule.Ask{Dosimeters: 1}, 1, 1)
	for i := range x.Occurrences {
		o := &x.Occurrences[i]
		o.Span.From, o.Span.To = h.Clock.Now().AddDate(0, 0, days), h.Clock.Now().AddDate(0, 0, days).Add(8*time.Hour)
	}
	return x
}
