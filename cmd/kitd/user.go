package main

import (
	"context"
	"fmt"
	"os"
	"strings"

	"kitd/internal/access"
)

type userCmd struct {
	Add    userAddCmd    `cmd:"" help:"Make an account and print the one-time link with which its holder sets a password."`
	List   userListCmd   `cmd:"" help:"List the accounts."`
	Invite userInviteCmd `cmd:"" help:"Print a new one-time link for an account, for a forgotten password."`
}

type userAddCmd struct {
	Name       string `arg:"" help:"Login name."`
	Role       string `enum:"administrator,coordinator,surveyor,viewer" required:"" help:"administrator, coordinator, surveyor or viewer."`
	Display    string `help:"Name as others see it."`
	Mail       string `help:"Mail address."`
	Zone       string `default:"UTC" help:"Time zone, such as Europe/London."`
	AllClients bool   `name:"all-clients" help:"Sees the data of every client."`
	settings
}

func operator() access.Actor { return access.System("operator", access.ViaCommand) }

// Run makes an account.
func (c *userAddCmd) Run(ctx context.Context, s streams) error {
	return within(ctx, c.settings, func(h *house) error {
		a, err := h.gate.AddAccount(ctx, operator(), access.Account{Name: c.Name, Display: c.Display, Mail: c.Mail,
			Role: access.Role(c.Role), Zone: c.Zone, AllClients: c.AllClients}, "")
		if err != nil {
			return err
		}
		return h.printInvitation(ctx, s, a)
	})
}

type userInviteCmd struct {
	Name string `arg:"" help:"Login name."`
	settings
}

// Run prints a new link.
func (c *userInviteCmd) Run(ctx context.Context, s streams) error {
	return within(ctx, c.settings, func(h *house) error {
		a, err := h.gate.AccountNamed(ctx, operator(), c.Name)
		if err != nil {
			return err
		}
		return h.printInvitation(ctx, s, a)
	})
}

func (h *house) printInvitation(ctx context.Context, s streams, a access.Account) error {
	secret, err := h.gate.Invite(ctx, operator(), a.ID)
	if err != nil {
		return err
	}
	base := h.settings.PublicURL
	if base == "" {
		base = "http://" + h.settings.Listen
	}
	_, err = fmt.Fprintf(s.out, "%s: %s/setup/%s\n", a.Name, strings.TrimRight(base, "/"), secret)
	return err
}

type userListCmd struct{ settings }

// Run lists the accounts, one a line.
func (c *userListCmd) Run(ctx context.Context, s streams) error {
	return within(ctx, c.settings, func(h *house) error {
		all, err := h.gate.Accounts(ctx, operator())
		for _, a := range all {
			state := ""
			if a.Disabled {
				state = "\tdisabled"
			}
			fmt.Fprintf(s.out, "%s\t%s%s\n", a.Name, a.Role, state)
		}
		return err
	})
}

// scratch makes the folder of a demo that is thrown away.
func scratch() (dir string, drop func() error, err error) {
	dir, err = os.MkdirTemp("", "kitd-demo-")
	return dir, func() error { return os.RemoveAll(dir) }, err
}
