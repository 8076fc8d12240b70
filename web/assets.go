package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"
)

//go:embed assets
var embedded embed.FS

// assets are the files of the page. Their address holds a hash of all of
// them, so that a browser may keep them for ever and still never mixes two
// versions: modules import each other by relative path and so stay inside
// one version.
type assets struct {
	files   fs.FS
	version string
	pages   map[string][]byte // pageNames with the version filled in
}

// kinds are the types we serve; a file of any other kind is refused when the
// service is made, not guessed at later.
var kinds = map[string]string{
	".html":  "text/html; charset=utf-8",
	".css":   "text/css; charset=utf-8",
	".js":    "text/javascript; charset=utf-8",
	".svg":   "image/svg+xml",
	".woff2": "font/woff2",
	".txt":   "text/plain; charset=utf-8",

	".webmanifest": "application/manifest+json",
}

// loadAssets reads the files of the page.
func loadAssets(files fs.FS) (*assets, error) {
	a := &assets{files: files}
	if err := a.read(); err != nil {
		return nil, fmt.Errorf("assets of the page: %w", err)
	}
	return a, nil
}

func (a *assets) read() error {
	sum := sha256.New()
	err := fs.WalkDir(a.files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if kinds[path.Ext(name)] == "" {
			return fmt.Errorf("%s: no content type for this kind of file", name)
		}
		b, err := fs.ReadFile(a.files, name)
		if err != nil {
			return err
		}
		fmt.Fprintf(sum, "%s %d\n", name, len(b))
		sum.Write(b)
		return nil
	})
	if err != nil {
		return err
	}
	a.version = hex.EncodeToString(sum.Sum(nil))[:16]
	a.pages = make(map[string][]byte)
	for _, name := range pageNames {
		page, err := fs.ReadFile(a.files, name)
		if err != nil {
			return err
		}
		// No template: its package alone makes the program larger by megabytes, as the
		// linker must then keep every method of every type.
		a.pages[name] = bytes.ReplaceAll(page, []byte("{{.Assets}}"), []byte("/assets/"+a.version))
	}
	return nil
}

// The pages: the one of the session, and the one that strangers get.
const (
	sessionPage = "index.html"
	pairingPage = "pair.html"
)

// workerFile is the service worker, with which a page opens without the service.
const workerFile = "js/worker.js"

var pageNames = []string{sessionPage, pairingPage}

// getPage serves the session's page, and to strangers the one that pairs.
func (s *Server) getPage(c echo.Context) error {
	if s.rightOf(c.Request()) == RightNone {
		return s.servePage(c, http.StatusUnauthorized, pairingPage)
	}
	return s.servePage(c, http.StatusOK, sessionPage)
}

// getShown is getPage for what is shown in place of a session.
func (s *Server) getShown(c echo.Context) error {
	if s.rightOf(c.Request()) == RightNone {
		return s.servePage(c, http.StatusUnauthorized, pairingPage)
	}
	return echo.WrapHandler(s.opt.Shown)(c)
}

func (s *Server) getPairPage(c echo.Context) error { return s.servePage(c, http.StatusOK, pairingPage) }

func (s *Server) servePage(c echo.Context, status int, name string) error {
	return c.HTMLBlob(status, s.assets.pages[name])
}

func (s *Server) getAsset(c echo.Context) error {
	name := c.Param("*")
	kind := kinds[path.Ext(name)]
	if c.Param("version") != s.assets.version || kind == "" || !fs.ValidPath(name) || slices.Contains(pageNames, name) {
		return &problem{status: http.StatusNotFound, code: "not_found", message: "there is no such file"}
	}
	b, err := fs.ReadFile(s.assets.files, name)
	if err != nil {
		return &problem{status: http.StatusNotFound, code: "not_found", message: "there is no such file"}
	}
	if name == workerFile { // it answers for the page, which lies above it
		c.Response().Header().Set("Service-Worker-Allowed", "/")
	}
	c.Response().Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	return c.Blob(http.StatusOK, kind, b)
}

// SharedFiles are the page's files that other pages of the program use as well: the
// look, the type and its font.
func SharedFiles() fs.FS {
	sub, err := fs.Sub(embedded, "assets")
	if err != nil { // embedded above
		panic(err)
	}
	return sub
}

// Look is the style sheet with the colours and the type of the page, for a page that stands alone: it names the font by the
// address given, which may hold it (RFC 2397).
func Look(font func(file []byte) string) (string, error) {
	css, err := embedded.ReadFile("assets/css/base.css")
	if err != nil {
		return "", err
	}
	file, err := embedded.ReadFile("assets/" + fontName)
	if err != nil {
		return "", err
	}
	return strings.ReplaceAll(string(css), "../"+fontName, font(file)), nil
}

// FirstTheme is the script that sets the theme before anything is painted, for a page that stands alone.
func FirstTheme() (string, error) {
	js, err := embedded.ReadFile("assets/js/theme.js")
	return string(js), err
}

// fontName is the file of the page's font.
const fontName = "atkinson-hyperlegible-next.woff2"
