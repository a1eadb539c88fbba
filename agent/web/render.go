package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

//go:embed templates/*.html static/*
var files embed.FS

// pages holds one template for each page, each with the frame and the shared parts.
var pages = parsePages("fleet", "pump", "tickets", "ticket", "rebuilt", "plan", "error")

func parsePages(names ...string) map[string]*template.Template {
	functions := template.FuncMap{
		"sentence": sentence, "plain": plain, "percent": percent, "utc": utc, "machineTime": machineTime, "grouped": grouped,
	}
	common := template.Must(template.New("").Funcs(functions).ParseFS(files, "templates/frame.html", "templates/parts.html"))
	parsed := make(map[string]*template.Template, len(names))
	for _, name := range names {
		parsed[name] = template.Must(template.Must(common.Clone()).ParseFS(files, "templates/"+name+".html"))
	}
	return parsed
}

// frame is what the frame around every page needs.
type frame struct {
	Site  string
	Title string
	// Tab is the part of the site that the page belongs to: "pumps", "tickets" or empty.
	Tab string
	// Live pages refresh their parts on a change, and as a whole each minute without script.
	Live bool
	// Style, where not empty, is the style sheet in the page itself: for a file that stands alone.
	Style  template.CSS
	Health healthLine
}

// rendered is a page ready to be sent.
type rendered struct {
	status int
	html   []byte
	// redirect, where not empty, sends the browser on with "303 See Other" instead.
	redirect string
}

// render runs the template of a page, whose data embeds the frame.
func render(name string, data any) (rendered, error) {
	var b bytes.Buffer
	if err := pages[name].ExecuteTemplate(&b, "frame", data); err != nil {
		return rendered{}, fmt.Errorf("render page %s: %w", name, err)
	}
	return rendered{status: http.StatusOK, html: b.Bytes()}, nil
}

// page answers with what handle rendered, or with a page that tells the error.
func (s *Server) page(handle func(r *http.Request) (rendered, error)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		answer, err := handle(r)
		if err != nil {
			s.errorPage(w, r, s.describe(r, err))
			return
		}
		if answer.redirect != "" {
			http.Redirect(w, r, answer.redirect, http.StatusSeeOther)
			return
		}
		writeHTML(w, answer.status, answer.html)
	})
}

func (s *Server) errorPage(w http.ResponseWriter, r *http.Request, p problemDetails) {
	answer, err := render("error", struct {
		frame
		Problem problemDetails
	}{s.frame(r, p.Title, ""), p})
	if err != nil {
		writeProblem(w, s.describe(r, err))
		return
	}
	writeHTML(w, p.Status, answer.html)
}

func writeHTML(w http.ResponseWriter, status int, html []byte) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(html) // a client that has gone needs no answer
}

func (s *Server) frame(r *http.Request, title, tab string) frame {
	return frame{Site: s.src.Site(), Title: title, Tab: tab, Health: newHealthLine(s.src.Health(r.Context()))}
}

// healthLine is the agent's health in the frame: all that is not well, or that all is.
type healthLine struct {
	Ready  bool
	Failed []Condition
}

func newHealthLine(h Health) healthLine {
	line := healthLine{Ready: h.Ready}
	for _, c := range h.Conditions {
		if !c.OK {
			line.Failed = append(line.Failed, c)
		}
	}
	return line
}

// asset is an embedded file as it is served.
type asset struct {
	contentType, etag string
	body              []byte
}

var assets = loadAssets()

func loadAssets() map[string]asset {
	types := map[string]string{
		".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
	}
	entries, err := fs.ReadDir(files, "static")
	if err != nil { // the files are in the binary
		panic(err)
	}
	loaded := make(map[string]asset, len(entries))
	for _, entry := range entries {
		body, err := files.ReadFile("static/" + entry.Name())
		if err != nil {
			panic(err)
		}
		sum := sha256.Sum256(body)
		loaded[entry.Name()] = asset{types[path.Ext(entry.Name())], `"` + hex.EncodeToString(sum[:8]) + `"`, body}
	}
	return loaded
}

// serveStatic serves the embedded files; a browser asks again each time but gets only a new version,
// so an upgraded agent never meets an old style sheet.
func serveStatic(w http.ResponseWriter, r *http.Request) {
	a, found := assets[r.PathValue("name")]
	if !found {
		writeProblem(w, problem(http.StatusNotFound, "no such file"))
		return
	}
	h := w.Header()
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", a.etag)
	if strings.Contains(r.Header.Get("If-None-Match"), a.etag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Type", a.contentType)
	_, _ = w.Write(a.body) // a client that has gone needs no answer
}
