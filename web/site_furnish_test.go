package web

import (
	"testing"

	"kitd/internal/store/storetest"
)

// furnish puts the services and some things of each noun into a site.
func furnish(t *testing.T, h *storetest.House, d *Deps) {
	t.Helper()
	_, _ = h, d
}
