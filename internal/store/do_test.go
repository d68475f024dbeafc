package store_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/trail"
)

var (
	ctx = context.Background()
	who = access.System("test", access.ViaJob)
)

func count(t *testing.T, h *storetest.House, table string) int {
	t.Helper()
	var n int
	err := h.View(ctx, who, func(tx *store.Tx) error {
		_, err := tx.Row("SELECT COUNT(*) FROM "+table, nil, &n)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func put(tx *store.Tx, name string) error {
	_, err := tx.Exec("INSERT INTO counter (name, value) VALUES (?, ?)", name, 1)
	return err
}

func TestDoCommitsStateAndTrailTogether(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			if err := put(tx, "a"); err != nil {
				return err
			}
			return tx.Record(trail.Change{Noun: "unit", ID: h.NewID(), Verb: "enter", After: map[string]int{"n": 1}, Private: "free text"})
		})
		if err != nil {
			t.Fatal(err)
		}
		if a, b := count(t, h, "counter"), count(t, h, "audit"); a != 1 || b != 1 {
			t.Errorf("got %d rows and %d changes, want 1 and 1", a, b)
		}
	})
}

func TestDoUndoesEverything(t *testing.T) {
	boom := errors.New("boom")
	ends := map[string]func(tx *store.Tx) error{
		"error": func(*store.Tx) error { return boom },
		"panic": func(*store.Tx) error { panic(boom) },
		"unencodable state": func(tx *store.Tx) error {
			_ = tx.Record(trail.Change{Noun: "unit", Verb: "enter", After: func() {}})
			return nil
		},
		"statement in error": func(tx *store.Tx) error { _, err := tx.Exec("INSERT INTO nowhere VALUES (1)"); return err },
		"statement over rows": func(tx *store.Tx) error {
			return tx.Each("SELECT name FROM meta", nil, func(func(...any) error) error { return put(tx, "b") })
		},
	}
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		for name, end := range ends {
			t.Run(name, func(t *testing.T) {
				var err error
				func() {
					defer func() {
						if p := recover(); p != nil {
							err = p.(error)
						}
					}()
					err = h.Do(ctx, who, func(tx *store.Tx) error {
						if err := put(tx, "a"); err != nil {
							return err
						}
						return end(tx)
					})
				}()
				if err == nil {
					t.Fatal("no error")
				}
				if n := count(t, h, "counter"); n != 0 {
					t.Errorf("%d rows stayed behind %v", n, err)
				}
			})
		}
		if err := h.Do(ctx, who, func(tx *store.Tx) error { return put(tx, "after") }); err != nil {
			t.Errorf("the house is not usable afterwards: %v", err)
		}
	})
}

func TestWorkInsideWorkIsRefused(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		nothing := func(*store.Tx) error { return nil }
		inner := map[string]func(tx *store.Tx) error{
			"do, outer context":   func(*store.Tx) error { return h.Do(ctx, who, nothing) },
			"view, outer context": func(*store.Tx) error { return h.View(ctx, who, nothing) },
			"do, inner context on another goroutine": func(tx *store.Tx) error {
				got := make(chan error)
				go func() { got <- h.Do(tx.Context().(context.Context), who, nothing) }()
				return <-got
			},
		}
		for name, call := range inner {
			if err := h.Do(ctx, who, call); !fault.Is(err, fault.NestedWork) {
				t.Errorf("%s inside Do: got %v", name, err)
			}
			if err := h.View(ctx, who, call); !fault.Is(err, fault.NestedWork) {
				t.Errorf("%s inside View: got %v", name, err)
			}
		}
	})
}

func TestViewCannotWrite(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		writes := map[string]func(tx *store.Tx) error{
			"exec":   func(tx *store.Tx) error { return put(tx, "a") },
			"record": func(tx *store.Tx) error { return tx.Record(trail.Change{Noun: "unit", Verb: "enter"}) },
			"insert": func(tx *store.Tx) error {
				return tx.Insert("counter", &struct {
					Name  string
					Value int
				}{"a", 1})
			},
			"returning": func(tx *store.Tx) error {
				var n int
				_, err := tx.Row("INSERT INTO counter (name, value) VALUES (?, 1) RETURNING value", []any{"a"}, &n)
				return err
			},
		}
		for name, write := range writes {
			if err := h.View(ctx, who, write); !fault.Is(err, fault.ReadOnlyWork) {
				t.Errorf("%s: got %v", name, err)
			}
		}
		if n := count(t, h, "counter"); n != 0 {
			t.Errorf("%d rows were written", n)
		}
	})
}

func TestDoOutlivesItsRequest(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		gone, cancel := context.WithCancel(ctx)
		cancel()
		if err := h.Do(gone, who, func(tx *store.Tx) error { return put(tx, "a") }); err != nil {
			t.Fatal(err)
		}
		if err := h.View(gone, who, func(*store.Tx) error { return nil }); fault.KindOf(err) != fault.Unavailable {
			t.Errorf("a view of a cancelled request: got %v", err)
		}
	})
}

func TestColumnsKeepWhatTheyGet(t *testing.T) {
	type row struct {
		A store.Key     `gorm:"column:a"`
		B store.Instant `gorm:"column:b"`
		C store.Day     `gorm:"column:c"`
		D store.Text    `gorm:"column:d"`
	}
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		kind := map[string]string{"sqlite": "BLOB", "postgres": "uuid"}[h.Dialect()]
		full := row{store.Key(h.NewID()), store.Instant(h.Clock.Now()), store.Day{Year: 2026, Month: 2, Day: 28}, "x"}
		var got []row
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			if _, err := tx.Exec("CREATE TABLE probe (a " + kind + ", b bigint, c text, d text)"); err != nil {
				return err
			}
			if err := tx.Insert("probe", &[]row{full, {}}); err != nil {
				return err
			}
			if _, err := tx.Exec("INSERT INTO probe (a, b, c, d) VALUES (?, ?, ?, ?)", ident.ID(full.A), time.Time(full.B), civil.Date(full.C), "x"); err != nil {
				return err
			}
			return tx.Rows(&got, "SELECT a, b, c, d FROM probe WHERE a = ? OR a IS NULL ORDER BY b", ident.ID(full.A))
		})
		if err != nil {
			t.Fatal(err)
		}
		seen := map[row]int{}
		for _, r := range got {
			seen[r]++
		}
		if len(got) != 3 || seen[full] != 2 || seen[row{}] != 1 {
			t.Errorf("got %v", got)
		}
		var nulls int
		if err := h.SQL(t).QueryRow("SELECT COUNT(*) FROM probe WHERE a IS NULL AND b IS NULL AND c IS NULL AND d IS NULL").Scan(&nulls); err != nil || nulls != 1 {
			t.Errorf("zero values are stored as %d null rows, %v", nulls, err)
		}
	})
}

func TestScope(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		a, b := h.NewID(), h.NewID()
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			for _, client := range []ident.ID{a, b, {}} {
				if err := tx.Record(trail.Change{Noun: "site", ID: h.NewID(), Verb: "enter", Client: client}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			scope access.Scope
			want  int
		}{{access.Scope{All: true}, 3}, {access.Scope{}, 1}, {access.Scope{Clients: []ident.ID{a}}, 2}, {access.Scope{Clients: []ident.ID{a, b}}, 3}} {
			n := 0
			err := h.View(ctx, access.Actor{Scope: c.scope}, func(tx *store.Tx) error {
				cond, args := tx.ScopeOf("audit.client_id")
				_, err := tx.Row("SELECT COUNT(*) FROM audit WHERE "+cond, args, &n)
				return err
			})
			if err != nil || n != c.want {
				t.Errorf("%+v sees %d, %v; want %d", c.scope, n, err, c.want)
			}
		}
	})
}
