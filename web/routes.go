package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
)

// Need is who may use a route. Every route declares one.
type Need string

// The needs, from everybody to the fewest.
const (
	Everybody       Need = "everybody" // also without an account
	AnyAccount      Need = "any account"
	FromSurveyor    Need = "surveyor"      // and above
	FromCoordinator Need = "coordinator"   // and above
	FromAdmin       Need = "administrator" // only
)

var least = map[Need]access.Role{
	AnyAccount: access.Viewer, FromSurveyor: access.Surveyor, FromCoordinator: access.Coordinator, FromAdmin: access.Administrator,
}

// Allows reports whether a role meets the need.
func (n Need) Allows(r access.Role) bool { return n == Everybody || r.Covers(least[n]) }

// people says in words whom the need lets in.
func (n Need) people() string {
	switch n {
	case FromSurveyor:
		return "surveyors, coordinators and administrators"
	case FromCoordinator:
		return "coordinators and administrators"
	case FromAdmin:
		return "administrators"
	}
	return "everybody who is logged in"
}

// Route is one row of the table: what answers where, and to whom.
type Route struct {
	Method string
	Path   string // echo's form: "/units/:tag"
	Need   Need
	Handle func(*Server, echo.Context) error

	Screen string        // name on the shelf line, when the route is a screen of its own
	Body   int64         // most bytes of a body; 0: 256 KiB; Upload: the limit of returned files
	Wait   time.Duration // longest time for the whole request; 0: 30 s
}

// Upload as a route's Body stands for Config.MaxUpload.
const Upload int64 = -1

const (
	usualBody = 256 << 10
	usualWait = 30 * time.Second
)

// API reports whether the route belongs to the programs' interface: tokens instead of cookies, problem documents instead of pages.
func (r Route) API() bool { return strings.HasPrefix(r.Path, "/api/") }

// Routes is the table of all routes, by noun; screens stand on the shelf line in its order. A GET route answers HEAD too, OPTIONS
// is answered everywhere.
func Routes() []Route {
	return slices.Concat(houseRoutes(), entranceRoutes(), selfRoutes(), shelfRoutes(), deskRoutes(), surveyRoutes(), returnRoutes(),
		reminderRoutes(), poolRoutes(), exchangeRoutes(), accountRoutes(), programRoutes())
}

// houseRoutes answer about the server itself.
func houseRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/healthz", Need: Everybody, Handle: (*Server).healthz},
		{Method: "GET", Path: "/readyz", Need: Everybody, Handle: (*Server).readyz},
		{Method: "GET", Path: "/static/*", Need: Everybody, Handle: (*Server).staticFile},
		{Method: "GET", Path: "/problems/:code", Need: Everybody, Handle: (*Server).problemPage},
	}
}

// entranceRoutes let people in and out.
func entranceRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/login", Need: Everybody, Handle: (*Server).loginPage},
		{Method: "POST", Path: "/login", Need: Everybody, Handle: (*Server).login},
		{Method: "POST", Path: "/logout", Need: AnyAccount, Handle: (*Server).logout},
		{Method: "GET", Path: "/setup/:secret", Need: Everybody, Handle: (*Server).linkPage},
		{Method: "POST", Path: "/setup/:secret", Need: Everybody, Handle: (*Server).useLink},
	}
}

// selfRoutes are one's own account.
func selfRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/account", Need: AnyAccount, Handle: (*Server).accountPage},
		{Method: "POST", Path: "/account", Need: AnyAccount, Handle: (*Server).changeSelf},
		{Method: "POST", Path: "/account/password", Need: AnyAccount, Handle: (*Server).changePassword},
		{Method: "POST", Path: "/account/app-passwords", Need: AnyAccount, Handle: (*Server).issueAppPassword},
		{Method: "POST", Path: "/account/tokens", Need: AnyAccount, Handle: (*Server).issueToken},
		{Method: "POST", Path: "/account/feed", Need: AnyAccount, Handle: (*Server).issueFeed},
		{Method: "POST", Path: "/account/credentials/:id/revoke", Need: AnyAccount, Handle: (*Server).revokeCredential},
	}
}

// shelfRoutes are the pool as it stands: units and kits.
func shelfRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/", Need: AnyAccount, Handle: (*Server).home},
		{Method: "GET", Path: "/u/:tag", Need: AnyAccount, Handle: (*Server).tagAddress},
		{Method: "GET", Path: "/shelf", Need: AnyAccount, Handle: (*Server).shelfPage, Screen: "Shelf"},
		{Method: "GET", Path: "/units/:tag", Need: AnyAccount, Handle: (*Server).unitPage},
		{Method: "POST", Path: "/units/:tag/facts", Need: FromSurveyor, Handle: (*Server).recordFact},
		{Method: "POST", Path: "/units/:tag/certificates", Need: FromCoordinator, Handle: (*Server).enterCertificate},
		{Method: "GET", Path: "/kits/:code", Need: AnyAccount, Handle: (*Server).kitPage},
		{Method: "POST", Path: "/kits/:code/units", Need: FromCoordinator, Handle: (*Server).packKit},
	}
}

// deskRoutes are what is asked for, promised and handed out.
func deskRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/desk", Need: AnyAccount, Handle: (*Server).deskPage, Screen: "Desk"},
		{Method: "GET", Path: "/desk/timeline", Need: AnyAccount, Handle: (*Server).timelinePage},
		{Method: "GET", Path: "/bench", Need: AnyAccount, Handle: (*Server).benchPage, Screen: "Bench"},
		{Method: "POST", Path: "/bench", Need: FromSurveyor, Handle: (*Server).doBench},
		{Method: "POST", Path: "/bench/undo", Need: FromSurveyor, Handle: (*Server).undoBench},
		{Method: "GET", Path: "/desk/new", Need: FromSurveyor, Handle: (*Server).newWishPage},
		{Method: "POST", Path: "/desk/new", Need: FromSurveyor, Handle: (*Server).book},
		{Method: "GET", Path: "/bookings/:id", Need: AnyAccount, Handle: (*Server).bookingPage},
		{Method: "GET", Path: "/bookings/:id/move", Need: FromSurveyor, Handle: (*Server).movePage},
		{Method: "POST", Path: "/bookings/:id/move", Need: FromSurveyor, Handle: (*Server).moveBooking},
		{Method: "POST", Path: "/bookings/:id/cancel", Need: FromSurveyor, Handle: (*Server).cancelBooking},
		{Method: "POST", Path: "/bookings/:id/hand-out", Need: FromSurveyor, Handle: (*Server).handOut},
		{Method: "POST", Path: "/bookings/:id/check-in", Need: FromSurveyor, Handle: (*Server).checkIn},
	}
}

// surveyRoutes are visits and what is measured on them.
func surveyRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/surveys", Need: AnyAccount, Handle: (*Server).surveysPage, Screen: "Surveys"},
		{Method: "GET", Path: "/surveys/new", Need: FromSurveyor, Handle: (*Server).newSurveyPage},
		{Method: "POST", Path: "/surveys", Need: FromSurveyor, Handle: (*Server).addSurvey},
		{Method: "POST", Path: "/clients", Need: FromCoordinator, Handle: (*Server).addClient},
		{Method: "POST", Path: "/sites", Need: FromSurveyor, Handle: (*Server).addSite},
		{Method: "GET", Path: "/surveys/:id", Need: AnyAccount, Handle: (*Server).surveyPage},
		{Method: "POST", Path: "/surveys/:id/days", Need: FromSurveyor, Handle: (*Server).addDay},
		{Method: "POST", Path: "/surveys/:id/wears", Need: FromSurveyor, Handle: (*Server).startWear},
		{Method: "GET", Path: "/wears/:id", Need: AnyAccount, Handle: (*Server).wearPage},
		{Method: "POST", Path: "/wears/:id/checks", Need: FromSurveyor, Handle: (*Server).recordCheck},
		{Method: "POST", Path: "/wears/:id/stop", Need: FromSurveyor, Handle: (*Server).stopWear},
		{Method: "POST", Path: "/wears/:id/day", Need: FromSurveyor, Handle: (*Server).declareDay},
	}
}

// returnRoutes are what comes back and what is computed from it.
func returnRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/returns", Need: AnyAccount, Handle: (*Server).returnsPage, Screen: "Returns"},
		{Method: "POST", Path: "/returns", Need: FromSurveyor, Handle: (*Server).receiveReturn, Body: Upload, Wait: time.Hour},
		{Method: "GET", Path: "/returns/:id", Need: AnyAccount, Handle: (*Server).returnPage},
		{Method: "POST", Path: "/returns/:id/link", Need: FromSurveyor, Handle: (*Server).linkReturn},
		{Method: "POST", Path: "/returns/:id/accept", Need: FromSurveyor, Handle: (*Server).acceptReturn},
		{Method: "POST", Path: "/returns/:id/reject", Need: FromSurveyor, Handle: (*Server).rejectReturn},
		{Method: "POST", Path: "/returns/:id/compute", Need: FromSurveyor, Handle: (*Server).computeResult},
		{Method: "GET", Path: "/results", Need: AnyAccount, Handle: (*Server).resultsPage, Screen: "Results"},
		{Method: "GET", Path: "/results/:id", Need: AnyAccount, Handle: (*Server).resultPage},
	}
}

// accountRoutes are the accounts of others.
func accountRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/accounts", Need: FromAdmin, Handle: (*Server).accountsPage, Screen: "Accounts"},
		{Method: "POST", Path: "/accounts", Need: FromAdmin, Handle: (*Server).addAccount},
		{Method: "GET", Path: "/accounts/:id", Need: FromAdmin, Handle: (*Server).accountEditPage},
		{Method: "POST", Path: "/accounts/:id", Need: FromAdmin, Handle: (*Server).changeAccount},
		{Method: "POST", Path: "/accounts/:id/invite", Need: FromAdmin, Handle: (*Server).inviteAccount},
	}
}

// programRoutes are for programs.
func programRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/api/openapi.json", Need: Everybody, Handle: (*Server).apiDescription},
		{Method: "GET", Path: "/api/v1/units", Need: AnyAccount, Handle: (*Server).apiUnits},
		{Method: "GET", Path: "/api/v1/units/:tag", Need: AnyAccount, Handle: (*Server).apiUnit},
		{Method: "POST", Path: "/api/v1/units/:tag/facts", Need: FromSurveyor, Handle: (*Server).apiRecord},
		{Method: "GET", Path: "/api/v1/bookings", Need: AnyAccount, Handle: (*Server).apiBookings},
		{Method: "POST", Path: "/api/v1/bookings", Need: FromSurveyor, Handle: (*Server).apiBook},
		{Method: "GET", Path: "/api/v1/bookings/:id", Need: AnyAccount, Handle: (*Server).apiBooking},
		{Method: "PATCH", Path: "/api/v1/bookings/:id", Need: FromSurveyor, Handle: (*Server).apiMove},
		{Method: "DELETE", Path: "/api/v1/bookings/:id", Need: FromSurveyor, Handle: (*Server).apiCancel},
		{Method: "POST", Path: "/api/v1/returns", Need: FromSurveyor, Handle: (*Server).apiReceive, Body: Upload, Wait: time.Hour},
		{Method: "GET", Path: "/api/v1/results/:id", Need: AnyAccount, Handle: (*Server).apiResult},
	}
}

// register puts a route into echo behind its guards.
func (s *Server) register(r Route) error {
	if _, ok := least[r.Need]; !ok && r.Need != Everybody {
		return fmt.Errorf("web: the route %s %s declares no access", r.Method, r.Path)
	}
	h := s.guarded(r)
	s.echo.Add(r.Method, r.Path, h)
	if r.Method == http.MethodGet {
		s.echo.Add(http.MethodHead, r.Path, h)
	}
	return nil
}
