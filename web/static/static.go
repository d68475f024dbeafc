// Package static holds the files that browsers load beside a page: the style sheet, the marks and the font with its licence.
// There is no script. Addresses carry a hash of all files, so that browsers keep them for good and never show an old sheet.
package static

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"strings"
)

//go:embed look.css marks.svg brand.svg fonts
var files embed.FS

// Root is the path under which Handler expects to be served.
const Root = "/static/"

var version = digest()

// Href is the address of a file, such as "look.css".
func Href(name string) string { return Root + version + "/" + name }

// Mark is the address of one mark of the sprite, for an SVG use element.
func Mark(name string) string { return Href("marks.svg") + "#" + name }

// Handler serves the files under Root. Anything else is answered with 404, an outdated hash too: pages name the present one.
func Handler() http.Handler {
	serve := http.StripPrefix(Root+version+"/", http.FileServerFS(files))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name, ok := strings.CutPrefix(r.URL.Path, Root+version+"/")
		if info, err := fs.Stat(files, name); !ok || err != nil || info.IsDir() {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
		serve.ServeHTTP(w, r)
	})
}

func digest() string {
	sum := sha256.New()
	err := fs.WalkDir(files, ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		content, err := files.ReadFile(path)
		sum.Write([]byte(path))
		sum.Write(content)
		return err
	})
	if err != nil {
		panic("static: an embedded file cannot be read: " + err.Error())
	}
	return hex.EncodeToString(sum.Sum(nil))[:16]
}
