package ical

import "strings"

// Component is one component of an object with what stands in it, for filters that ask for components and properties by name.
type Component struct {
	Name     string // upper case
	Props    []Prop
	Children []*Component
}

// Prop is one property of a component.
type Prop struct {
	Name   string // upper case
	Params map[string][]string
	Value  string // escapes of TEXT decoded
}

// Tree reads the components of an object: VCALENDAR, and below it what it holds. Errors are those of Parse.
func Tree(raw []byte) (*Component, error) {
	lines, err := scan(raw)
	if err != nil {
		return nil, err
	}
	root := &Component{}
	open := []*Component{root}
	for _, l := range lines {
		in := open[len(open)-1]
		switch l.name {
		case "BEGIN":
			c := &Component{Name: strings.ToUpper(strings.TrimSpace(l.value))}
			in.Children = append(in.Children, c)
			open = append(open, c)
		case "END":
			open = open[:len(open)-1]
		default:
			p := Prop{Name: l.name, Value: unescape(l.value), Params: map[string][]string{}}
			for _, q := range l.params {
				p.Params[q.name] = append(p.Params[q.name], q.values...)
			}
			in.Props = append(in.Props, p)
		}
	}
	return root.Children[0], nil
}
