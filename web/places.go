package web

import (
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
)

// places are the depots and kits of the pool, for names, zones and lists to choose from.
type places struct {
	depots []fleet.Depot
	kits   []fleet.Kit
}

func (s *Server) places(c echo.Context) (places, error) {
	depots, err := s.Pool.Depots(ctx(c), actor(c))
	if err != nil {
		return places{}, err
	}
	kits, err := s.Pool.Kits(ctx(c), actor(c), ident.ID{})
	return places{depots, kits}, err
}

func (p places) depot(id ident.ID) fleet.Depot {
	for _, d := range p.depots {
		if d.ID == id {
			return d
		}
	}
	return fleet.Depot{}
}

func (p places) kit(id ident.ID) fleet.Kit {
	for _, k := range p.kits {
		if k.ID == id {
			return k
		}
	}
	return fleet.Kit{}
}

// zone is the one in which days of a depot begin and end; for none, or one that is not known, that of the first depot.
func (p places) zone(depot ident.ID) *time.Location {
	if d := p.depot(depot); !d.ID.IsZero() {
		return d.Location()
	}
	if len(p.depots) > 0 {
		return p.depots[0].Location()
	}
	return time.UTC
}

// names says where the pool lives.
func (p places) names() string {
	switch n := len(p.depots); {
	case n == 0:
		return ""
	case n > 3:
		return p.depots[0].Name + " and " + count(n-1, "other depot", "other depots")
	case n > 1:
		text := p.depots[0].Name
		for i, d := range p.depots[1:] {
			if i == n-2 {
				text += " and " + d.Name
			} else {
				text += ", " + d.Name
			}
		}
		return text
	}
	return p.depots[0].Name
}

// depotOptions lists the depots; first is the choice that names none, left out when it is empty.
func (p places) depotOptions(first string) []look.Option {
	var out []look.Option
	if first != "" {
		out = append(out, look.Option{Text: first})
	}
	for _, d := range p.depots {
		out = append(out, look.Option{Value: d.ID.String(), Text: d.Name})
	}
	return out
}

// kitOptions lists the kits.
func (p places) kitOptions(first string) []look.Option {
	out := []look.Option{{Text: first}}
	for _, k := range p.kits {
		text := k.Code
		if k.Name != "" && k.Name != k.Code {
			text += ", " + k.Name
		}
		out = append(out, look.Option{Value: k.ID.String(), Text: text})
	}
	return out
}

// today is the date it is in a zone.
func (s *Server) today(loc *time.Location) civil.Date { return civil.Of(s.Now().In(loc)) }
