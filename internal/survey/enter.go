package survey

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/exposure"
	"kitd/internal/fault"
	"kitd/internal/trail"
)

// AddClient enters a client. The account must keep the pool and see every client, or it would lose sight of what it entered.
func (o *Office) AddClient(ctx context.Context, who access.Actor, c Client) (Client, error) {
	if !who.Keeps() || !who.Scope.All {
		return Client{}, fault.New(fault.NotAllowed, "what", "adding clients needs a coordinator who sees every client")
	}
	c.Code, c.Name = strings.TrimSpace(c.Code), strings.TrimSpace(c.Name)
	if err := nonEmpty("client", "code", c.Code, "name", c.Name); err != nil {
		return Client{}, err
	}
	c.ID, c.Entered, c.By, c.Version = o.NewID(), o.now(), who.Name, 1
	return c, o.Do(ctx, who, func(s Store) error {
		if err := s.InsertClient(c); err != nil {
			return err
		}
		return s.Record(trail.Change{Noun: "client", ID: c.ID, Verb: "add", Client: c.ID,
			After: map[string]any{"code": c.Code}, Private: map[string]any{"name": c.Name, "note": c.Note}})
	})
}

// ChangeClient changes code, name and note of a client; Version is the one that was looked at.
func (o *Office) ChangeClient(ctx context.Context, who access.Actor, c Client) (Client, error) {
	if !who.Keeps() {
		return Client{}, fault.New(fault.NotAllowed, "what", "changing a client needs a coordinator")
	}
	c.Code, c.Name = strings.TrimSpace(c.Code), strings.TrimSpace(c.Name)
	if err := nonEmpty("client", "code", c.Code, "name", c.Name); err != nil {
		return Client{}, err
	}
	seen := c.Version // the work below may run again from the start
	err := o.Do(ctx, who, func(s Store) error {
		was, err := s.ClientByID(c.ID)
		if err != nil {
			return err
		}
		if was.Version != seen {
			return fault.New(fault.Changed, "noun", "client")
		}
		next := was
		next.Code, next.Name, next.Note, next.Version = c.Code, c.Name, c.Note, was.Version+1
		if err := s.UpdateClient(next); err != nil {
			return err
		}
		change := trail.Change{Noun: "client", ID: c.ID, Verb: "change", Client: c.ID, Before: map[string]any{"code": was.Code},
			After: map[string]any{"code": c.Code}, Private: map[string]any{"name": c.Name, "note": c.Note}}
		c = next
		return s.Record(change)
	})
	return c, err
}

// AddSite enters a place of a client.
func (o *Office) AddSite(ctx context.Context, who access.Actor, site Site) (Site, error) {
	if err := mayRecord(who, "adding a site needs a surveyor"); err != nil {
		return Site{}, err
	}
	if err := checkSite(&site); err != nil {
		return Site{}, err
	}
	site.ID, site.Entered, site.By, site.Version = o.NewID(), o.now(), who.Name, 1
	return site, o.Do(ctx, who, func(s Store) error {
		if _, err := s.ClientByID(site.Client); err != nil {
			return err
		}
		if err := s.InsertSite(site); err != nil {
			return err
		}
		return s.Record(siteChange(site, "add", nil))
	})
}

// ChangeSite changes name, zone and note of a site. Days that were entered keep their date.
func (o *Office) ChangeSite(ctx context.Context, who access.Actor, site Site) (Site, error) {
	if err := mayRecord(who, "changing a site needs a surveyor"); err != nil {
		return Site{}, err
	}
	if err := checkSite(&site); err != nil {
		return Site{}, err
	}
	seen := site.Version // the work below may run again from the start
	err := o.Do(ctx, who, func(s Store) error {
		was, err := s.SiteByID(site.ID)
		if err != nil {
			return err
		}
		if was.Version != seen {
			return fault.New(fault.Changed, "noun", "site")
		}
		next := was
		next.Name, next.Zone, next.Note, next.Version = site.Name, site.Zone, site.Note, was.Version+1
		if err := s.UpdateSite(next); err != nil {
			return err
		}
		site = next
		return s.Record(siteChange(next, "change", map[string]any{"zone": was.Zone}))
	})
	return site, err
}

func checkSite(site *Site) error {
	site.Name = strings.TrimSpace(site.Name)
	if err := nonEmpty("site", "name", site.Name); err != nil {
		return err
	}
	if _, err := place(site.Zone); err != nil {
		return err
	}
	return nil
}

func siteChange(site Site, verb string, before any) trail.Change {
	return trail.Change{Noun: "site", ID: site.ID, Verb: verb, Client: site.Client, Before: before,
		After: map[string]any{"client": site.Client, "zone": site.Zone}, Private: map[string]any{"name": site.Name, "note": site.Note}}
}

// AddSurvey enters a survey of a site and gives it its short number. The client is that of the site.
func (o *Office) AddSurvey(ctx context.Context, who access.Actor, v Survey) (Survey, error) {
	if err := mayRecord(who, "adding a survey needs a surveyor"); err != nil {
		return Survey{}, err
	}
	if err := o.checkSurvey(&v); err != nil {
		return Survey{}, err
	}
	v.ID, v.Entered, v.By, v.Version = o.NewID(), o.now(), who.Name, 1
	o.nameGroups(&v)
	err := o.Do(ctx, who, func(s Store) error {
		site, err := s.SiteByID(v.Site)
		if err != nil {
			return err
		}
		v.Client, v.Zone = site.Client, site.Zone
		if v.Number, err = s.NextSurveyNumber("survey"); err != nil {
			return err
		}
		if err := s.InsertSurvey(v); err != nil {
			return err
		}
		return s.Record(surveyChange(v, "add", nil))
	})
	return v, err
}

// ChangeSurvey changes what was planned: title, days, groups, profiles, settings, note. Results keep what they were computed with.
func (o *Office) ChangeSurvey(ctx context.Context, who access.Actor, v Survey) (Survey, error) {
	if err := mayRecord(who, "changing a survey needs a surveyor"); err != nil {
		return Survey{}, err
	}
	if err := o.checkSurvey(&v); err != nil {
		return Survey{}, err
	}
	o.nameGroups(&v)
	seen := v.Version // the work below may run again from the start
	err := o.Do(ctx, who, func(s Store) error {
		was, err := s.SurveyByID(v.ID)
		if err != nil {
			return err
		}
		if was.Version != seen {
			return fault.New(fault.Changed, "noun", "survey")
		}
		next := was
		next.Title, next.Days, next.Groups, next.Profiles, next.Needs, next.Note = v.Title, v.Days, v.Groups, v.Profiles, v.Needs, v.Note
		next.Version = was.Version + 1
		if err := s.UpdateSurvey(next); err != nil {
			return err
		}
		v = next
		return s.Record(surveyChange(next, "change", surveyState(was)))
	})
	return v, err
}

func (o *Office) checkSurvey(v *Survey) error {
	v.Title = strings.TrimSpace(v.Title)
	if err := nonEmpty("survey", "title", v.Title); err != nil {
		return err
	}
	if len(v.Profiles) == 0 {
		return bad("a survey is judged by at least one regulation profile", "profiles", "name one")
	}
	profiles, err := o.profiles(v.Profiles)
	if err != nil {
		return err
	}
	if v.Needs == nil {
		v.Needs = NeedsOf(profiles)
	}
	for i, n := range v.Needs {
		if !slices.Contains(quantities, n.Quantity) || !(n.IntervalS >= 0 && n.IntervalS <= 86400) {
			return bad("a setting names one of "+strings.Join(quantities, ", ")+" and an interval in seconds", "needs", "look at setting "+strconv.Itoa(i+1))
		}
	}
	for i, g := range v.Groups {
		if strings.TrimSpace(g.Name) == "" || g.Size < 0 {
			return bad("a similar exposure group has a name and a number of people", "groups", "look at group "+strconv.Itoa(i+1))
		}
	}
	for i, d := range v.Days {
		if d.IsZero() || i > 0 && !v.Days[i-1].Before(d) {
			return bad("the days of a survey are dates in order", "days", "look at day "+strconv.Itoa(i+1))
		}
	}
	return nil
}

func (o *Office) profiles(ids []string) ([]exposure.Profile, error) {
	var out []exposure.Profile
	for _, id := range ids {
		p, err := o.Profile(id)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

func (o *Office) nameGroups(v *Survey) {
	v.Groups = slices.Clone(v.Groups)
	for i := range v.Groups {
		if v.Groups[i].ID.IsZero() {
			v.Groups[i].ID = o.NewID()
		}
	}
}

func surveyState(v Survey) map[string]any {
	return map[string]any{"number": v.Number, "site": v.Site, "days": v.Days, "profiles": v.Profiles, "needs": v.Needs}
}

func surveyChange(v Survey, verb string, before any) trail.Change {
	return trail.Change{Noun: "survey", ID: v.ID, Verb: verb, Client: v.Client, Before: before, After: surveyState(v),
		Private: map[string]any{"title": v.Title, "groups": v.Groups, "note": v.Note}}
}

// nonEmpty takes pairs of field and value.
func nonEmpty(noun string, pairs ...string) error {
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] == "" {
			return bad("a "+noun+" has a "+pairs[i], pairs[i], "fill it in")
		}
	}
	return nil
}

func place(zone string) (*time.Location, error) {
	loc, err := time.LoadLocation(zone)
	if err != nil || zone == "" || zone == "Local" {
		return nil, bad("the time zone "+zone+" is not known; use a name such as Europe/Berlin", "zone", "not an IANA zone")
	}
	return loc, nil
}

// now is the service's clock as it is stored: UTC, whole milliseconds.
func (o *Office) now() time.Time { return o.Now().UTC().Truncate(time.Millisecond) }
