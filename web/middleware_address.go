package web

import (
	"net/http"
	"net/netip"
	"strings"
)

// peer is the address at the other end of the connection; the zero Addr when it has none (a socket file, a test).
func peer(r *http.Request) netip.Addr {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr().Unmap()
}

func (s *Server) trusts(a netip.Addr) bool {
	for _, p := range s.Config.TrustedProxies {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// clientAddress is where a request comes from: the connection's other end, or, behind trusted proxies, the last address of
// X-Forwarded-For that is not one of them. IPv6 addresses are cut to their /64, which one household or host has to itself.
func (s *Server) clientAddress(r *http.Request) string {
	at := peer(r)
	if s.trusts(at) {
		hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
		for i := len(hops) - 1; i >= 0 && s.trusts(at); i-- {
			hop, err := netip.ParseAddr(strings.TrimSpace(hops[i]))
			if err != nil {
				break
			}
			at = hop.Unmap()
		}
	}
	switch {
	case !at.IsValid():
		return ""
	case at.Is6():
		if p, err := at.WithZone("").Prefix(64); err == nil {
			return p.String()
		}
	}
	return at.String()
}

// requestID takes over the id of a trusted proxy, so that its log and ours can be joined; otherwise it makes one.
func (s *Server) requestID(r *http.Request) string {
	id := r.Header.Get("X-Request-Id")
	if id == "" || len(id) > 64 || strings.ContainsFunc(id, unplain) || !s.trusts(peer(r)) {
		return s.NewID().String()
	}
	return id
}

func unplain(r rune) bool {
	return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && r != '-' && r != '_' && r != '.'
}
