package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// clientName is a client as the accounts pages offer it.
type clientName struct {
	ID   ident.ID
	Name string
}

// accountsView is what the list of accounts shows. New is the account being added.
type accountsView struct {
	Token    string
	Accounts []access.Account
	New      access.Account
	Clients  []clientName
	Err      *fault.Error
}

// accountEditView is what the page of one account shows. Link is the address of an invitation, right after it was made.
type accountEditView struct {
	Token   string
	Account access.Account
	Clients []clientName
	Link    string
	Until   string
	Err     *fault.Error
}

func (s *Server) accountsPage(c echo.Context) error {
	return s.showAccounts(c, http.StatusOK, access.Account{Role: access.Surveyor, Locale: "en", Zone: account(c).Zone}, nil)
}

func (s *Server) showAccounts(c echo.Context, status int, draft access.Account, f *fault.Error) error {
	all, err := s.Gate.Accounts(ctx(c), actor(c))
	if err != nil {
		return err
	}
	clients, err := s.clientNames(c)
	if err != nil {
		return err
	}
	view := accountsView{Token: s.formToken(c), Accounts: all, New: draft, Clients: clients, Err: f}
	return s.page(c, status, s.frame(c, "Accounts", "accounts"), accountsBody(view))
}

// readAccount reads the fields an administrator fills in. Clients that the administrator does not see stay as they are: they are not
// on the form. Unknown ones cannot be typed, only forged: they are refused.
func readAccount(form url.Values, a access.Account, seen []clientName) (access.Account, error) {
	listed := func(id ident.ID) bool {
		return slices.ContainsFunc(seen, func(n clientName) bool { return n.ID == id })
	}
	a.Display, a.Mail, a.Role, a.Locale, a.Zone = form.Get("display"), form.Get("mail"), access.Role(form.Get("role")), form.Get("locale"), form.Get("zone")
	a.Disabled, a.AllClients = form.Get("disabled") == "yes", form.Get("all_clients") == "yes"
	a.Clients = slices.DeleteFunc(slices.Clone(a.Clients), listed)
	for _, text := range form["client"] {
		id, err := ident.Parse(text)
		if err != nil || !listed(id) {
			return a, fault.New(fault.BadInput, "what", "the account").At("client", "Choose clients from the list.")
		}
		a.Clients = append(a.Clients, id)
	}
	return a, nil
}

func (s *Server) addAccount(c echo.Context) error {
	form := c.Request().PostForm
	seen, err := s.clientNames(c)
	if err != nil {
		return err
	}
	draft, err := readAccount(form, access.Account{Name: form.Get("name")}, seen)
	if err == nil {
		var added access.Account
		if added, err = s.Gate.AddAccount(ctx(c), actor(c), draft, ""); err == nil {
			return s.invite(c, added)
		}
	}
	f := fault.Of(err)
	if f.Code == fault.AlreadyUsed {
		f = f.At("name", "This name is taken; choose another.")
	}
	if f.Kind() != fault.Invalid && f.Kind() != fault.Conflict {
		return err
	}
	return s.showAccounts(c, statusOf(f), draft, f)
}

func (s *Server) oneAccount(c echo.Context) (access.Account, error) {
	id, err := idParam(c, "id", "account")
	if err != nil {
		return access.Account{}, err
	}
	return s.Gate.Account(ctx(c), actor(c), id)
}

func (s *Server) accountEditPage(c echo.Context) error {
	a, err := s.oneAccount(c)
	if err != nil {
		return err
	}
	return s.showEdit(c, http.StatusOK, accountEditView{Account: a})
}

func (s *Server) showEdit(c echo.Context, status int, view accountEditView) error {
	clients, err := s.clientNames(c)
	if err != nil {
		return err
	}
	view.Token, view.Clients = s.formToken(c), clients
	return s.page(c, status, s.frame(c, view.Account.Name, "accounts"), accountEditBody(view))
}

func (s *Server) changeAccount(c echo.Context) error {
	a, err := s.oneAccount(c)
	if err != nil {
		return err
	}
	seen, err := s.clientNames(c)
	if err != nil {
		return err
	}
	form := c.Request().PostForm
	changed, err := readAccount(form, a, seen)
	if err == nil {
		// A version that is no number is none that was looked at.
		changed.Version, _ = strconv.Atoi(form.Get("version"))
		if _, err = s.Gate.ChangeAccount(ctx(c), actor(c), changed); err == nil {
			return s.see(c, "/accounts", "The account "+a.Name+" is changed.")
		}
	}
	f := fault.Of(err)
	if f.Kind() != fault.Invalid && f.Kind() != fault.Conflict {
		return err
	}
	return s.showEdit(c, statusOf(f), accountEditView{Account: changed, Err: f})
}

func (s *Server) inviteAccount(c echo.Context) error {
	a, err := s.oneAccount(c)
	if err != nil {
		return err
	}
	return s.invite(c, a)
}

// invite makes a one-time link and shows it once, for the administrator to hand on.
func (s *Server) invite(c echo.Context, a access.Account) error {
	secret, err := s.Gate.Invite(ctx(c), actor(c), a.ID)
	if f := fault.Of(err); err != nil {
		if f.Kind() != fault.Invalid {
			return err
		}
		return s.showEdit(c, statusOf(f), accountEditView{Account: a, Err: f})
	}
	until := s.Now().Add(s.Gate.Times.InviteLink).In(account(c).Location()).Format("Mon 2 Jan 2006, 15:04 MST")
	return s.showEdit(c, http.StatusOK, accountEditView{Account: a, Link: s.absolute(c.Request(), "/setup/"+secret), Until: until})
}

// clientNames lists the clients an account can be assigned to: those the administrator sees.
func (s *Server) clientNames(c echo.Context) ([]clientName, error) {
	all, err := s.Office.Clients(ctx(c), actor(c))
	var names []clientName
	for _, client := range all {
		names = append(names, clientName{client.ID, client.Name})
	}
	return names, err
}
