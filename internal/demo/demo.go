// Package demo builds an invented pool around today by the same calls that people make: an invented consultancy with two
// depots, three months of surveys behind it and a month of bookings ahead. Every name in it is made up.
package demo

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"fmt"
	mrand "math/rand/v2"
	"strings"
	"sync"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/survey"
)

// Clock tells scripted time while the past is being built and the real time afterwards.
type Clock struct {
	mu     sync.Mutex
	at     time.Time
	behind func() time.Time
}

// NewClock starts in the past of the demo; real is what it tells after Release.
func NewClock(real func() time.Time) *Clock {
	return &Clock{at: real().Add(-days(pastDays + 8)), behind: real}
}

// Now is the scripted moment, or the real one after Release.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.at.IsZero() {
		return c.behind()
	}
	return c.at
}

// Release lets real time run.
func (c *Clock) Release() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = time.Time{}
}

// set moves scripted time; it never runs ahead of the real one.
func (c *Clock) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if real := c.behind(); t.After(real) {
		t = real
	}
	c.at = t
}

// House is what the demo calls.
type House struct {
	Gate   *access.Gate
	Pool   *fleet.Keeper
	Desk   *schedule.Desk
	Office *survey.Office
	Clock  *Clock
}

// Login is a name and a password.
type Login struct{ Name, Password string }

// Cast is who can log in.
type Cast struct {
	Coordinator, Surveyor Login
	AppPassword           string // the surveyor's, for calendar programs
	Token                 string // the coordinator's, for the API
}

// pastDays is how long the pool has existed.
const pastDays = 92

func days(n int) time.Duration { return time.Duration(n) * 24 * time.Hour }

// story is the demo while it is being built. The first error stops it; later steps do nothing.
type story struct {
	House
	ctx    context.Context
	today  civil.Date
	chance *mrand.Rand
	err    error

	coordinator, surveyor access.Actor
	cast                  Cast
	depots                map[string]fleet.Depot
	models                map[string]fleet.Model
	labs                  map[string]fleet.Laboratory
	units                 map[string]fleet.Unit
	kits                  map[string]fleet.Kit
	clients               map[string]survey.Client
	sites                 map[string]survey.Site
	workers               map[string]survey.Worker
}

// Build fills an empty database.
func Build(ctx context.Context, h House) (Cast, error) {
	s := &story{House: h, ctx: ctx, chance: mrand.New(mrand.NewPCG(7, 2026)),
		depots: map[string]fleet.Depot{}, models: map[string]fleet.Model{}, labs: map[string]fleet.Laboratory{},
		units: map[string]fleet.Unit{}, kits: map[string]fleet.Kit{}, clients: map[string]survey.Client{},
		sites: map[string]survey.Site{}, workers: map[string]survey.Worker{}}
	london, err := time.LoadLocation("Europe/London")
	if err != nil {
		return Cast{}, err
	}
	s.today = civil.Of(h.Clock.behind().In(london))
	for _, part := range []func(){s.people, s.furnish, s.stock, s.certify, s.customers, s.past, s.present, s.ahead} {
		if part(); s.err != nil {
			return Cast{}, fmt.Errorf("demo, at %s: %w", h.Clock.Now().UTC().Format(time.RFC3339), s.err)
		}
	}
	return s.cast, nil
}

// at moves the clock to a wall-clock time of a depot, n days from today, and gives that moment.
func (s *story) at(depot string, n, hour, minute int) time.Time {
	d := s.today.AddDays(n)
	t := time.Date(d.Year, d.Month, d.Day, hour, minute, 0, 0, s.zone(depot))
	s.Clock.set(t)
	return t
}

func (s *story) zone(depot string) *time.Location {
	if d, ok := s.depots[depot]; ok {
		return d.Location()
	}
	return time.UTC
}

// keep stores v and remembers the error; the first one stands.
func keep[T any](s *story, into map[string]T, name string, fn func() (T, error)) {
	if s.err != nil {
		return
	}
	v, err := fn()
	if err != nil {
		s.err = fmt.Errorf("%s: %w", name, err)
		return
	}
	into[name] = v
}

func (s *story) try(what string, fn func() error) {
	if s.err != nil {
		return
	}
	if err := fn(); err != nil {
		s.err = fmt.Errorf("%s: %w", what, err)
	}
}

// secret makes a password that can be typed.
func secret() string {
	var b [10]byte
	rand.Read(b[:]) // never fails: crypto/rand, Go 1.24
	return strings.ToLower(base32.StdEncoding.EncodeToString(b[:]))
}

func (s *story) people() {
	s.at("", -pastDays, 6, 30)
	root := access.System("demo", access.ViaCommand)
	add := func(name, display string, role access.Role, clients ...ident.ID) (access.Actor, Login) {
		login := Login{name, secret()}
		var actor access.Actor
		s.try("account "+name, func() error {
			a, err := s.Gate.AddAccount(s.ctx, root, access.Account{Name: name, Display: display, Mail: name + "@marram.example",
				Role: role, Zone: "Europe/London", AllClients: len(clients) == 0, Clients: clients}, login.Password)
			actor = access.Actor{Account: a.ID, Name: a.Name, Role: a.Role, Scope: a.Scope(), Via: access.ViaPage}
			return err
		})
		return actor, login
	}
	s.coordinator, s.cast.Coordinator = add("ida", "Ida Vorrel", access.Coordinator)
	s.surveyor, s.cast.Surveyor = add("tam", "Tam Osk", access.Surveyor)
	add("ruth", "Ruth Amsel", access.Administrator)
	add("nell", "Nell Faye", access.Viewer)
	s.try("app password", func() (err error) {
		s.cast.AppPassword, _, err = s.Gate.IssueAppPassword(s.ctx, s.surveyor, "calendar program")
		return err
	})
	s.try("token", func() (err error) {
		s.cast.Token, _, err = s.Gate.IssueToken(s.ctx, s.coordinator, "scripts", access.Coordinator, s.Clock.behind().Add(days(90)))
		return err
	})
}

// day is a wall-clock hour of a depot, n days from today; the clock stays where it is.
func (s *story) day(depot string, n, hour int) time.Time {
	d := s.today.AddDays(n)
	return time.Date(d.Year, d.Month, d.Day, hour, 0, 0, 0, s.zone(depot))
}

func (s *story) span(depot string, from, to int) fleet.Span {
	return fleet.Span{From: s.day(depot, from, 0), To: s.day(depot, to, 0)}
}
