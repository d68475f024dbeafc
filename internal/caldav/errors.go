package caldav

import (
	"errors"
	"net/http"

	"kitd/internal/fault"
)

// preconditions names, where a published one fits, the condition that a fault violates (RFC 4791, 5.3.2.1 and 7; RFC 6578, 3.2;
// RFC 3744, 7.1.1).
var preconditions = map[fault.Code]string{
	fault.CalendarLine:   "C:valid-calendar-data",
	fault.CalendarZone:   "C:valid-calendar-data",
	fault.CalendarObject: "C:valid-calendar-object-resource",
	fault.CalendarRule:   "C:valid-calendar-object-resource",
	fault.WrongMedia:     "C:supported-calendar-data",
	fault.TooLarge:       "C:max-resource-size",
	fault.TokenStale:     "D:valid-sync-token",
	fault.ReportUnknown:  "D:supported-report",
	fault.FilterUnknown:  "C:supported-filter",
	fault.DepthInfinity:  "D:propfind-finite-depth",
	fault.NotAllowed:     "D:need-privileges",
}

// statusOf turns a fault into the status that calendar programs act on.
func statusOf(f *fault.Error) int {
	switch f.Code {
	case fault.NotSignedIn:
		return http.StatusUnauthorized
	case fault.Changed, fault.PreconditionFailed:
		return http.StatusPreconditionFailed
	case fault.WrongMethod:
		return http.StatusMethodNotAllowed
	case fault.XMLUnreadable:
		return http.StatusBadRequest
	case fault.WrongMedia:
		return http.StatusUnsupportedMediaType
	case fault.TokenStale:
		return http.StatusForbidden // RFC 6578, 3.2
	}
	switch f.Kind() {
	case fault.Invalid, fault.Forbidden:
		return http.StatusForbidden
	case fault.NotFound:
		return http.StatusNotFound
	case fault.Conflict:
		return http.StatusConflict
	case fault.Unavailable:
		return http.StatusServiceUnavailable
	}
	return http.StatusInternalServerError
}

// uidConflict is a fault with the address of the object that has the UID already (RFC 4791, 5.3.2.1).
type uidConflict struct {
	error
	href string
}

// Unwrap gives the fault.
func (u *uidConflict) Unwrap() error { return u.error }

// refuse writes a DAV:error: the published condition, kitd's own code, and a sentence people can read.
func refuse(w http.ResponseWriter, err error) {
	f := fault.Of(err)
	status := statusOf(f)
	switch status {
	case http.StatusUnauthorized:
		w.Header().Set("WWW-Authenticate", `Basic realm="kitd", charset="UTF-8"`)
	case http.StatusServiceUnavailable:
		w.Header().Set("Retry-After", "5")
	}
	var m markup
	m.WriteString(xmlHead + "<D:error" + xmlNames + ">")
	var conflict *uidConflict
	switch p := preconditions[f.Code]; {
	case errors.As(err, &conflict):
		m.WriteString("<C:no-uid-conflict>" + hrefElement(conflict.href) + "</C:no-uid-conflict>")
	case p != "":
		m.WriteString("<" + p + "/>")
	}
	m.WriteString("<K:" + string(f.Code) + "/>")
	m.element("D:responsedescription", f.Sentence())
	m.WriteString("</D:error>\n")
	_ = send(w, status, &m)
}
