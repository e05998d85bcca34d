package display

import (
	"embed"
	"io/fs"
	"net"
	"net/http"
	"net/netip"
	"path"
	"strings"
)

// files are the page as it is served.
//
//go:embed page
var files embed.FS

// policy lets the page load its own files and drawings made here, nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// Handler answers one request; it needs no listener. Its events come from Serve.
func (s *Server) Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		protect(w.Header())
		switch {
		case !s.ours(r):
			http.Error(w, "This address is not the bench's. Use the address that the bench listens on, such as http://127.0.0.1:8080/.", http.StatusMisdirectedRequest)
		case s.commands(w, r):
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, "The display can only be looked at.", http.StatusMethodNotAllowed)
		case r.URL.Path == "/events" && r.Method == http.MethodGet:
			events(s, s.bench, w, r)
		case r.URL.Path == "/story/events" && r.Method == http.MethodGet:
			events(s, s.story, w, r)
		case r.URL.Path == "/wall/events" && r.Method == http.MethodGet && s.cfg.Wall != nil:
			events(s, s.wall, w, r)
		case r.URL.Path == "/words":
			s.words(w, r)
		case r.URL.Path == "/metrics" && s.cfg.Metrics != nil:
			w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
			_, _ = w.Write(s.cfg.Metrics()) // a client that has gone needs no answer
		case r.URL.Path == "/wall" && s.cfg.Wall == nil:
			http.Error(w, "There is no wall here. Name its benches in the daemon's configuration, under [wall].", http.StatusNotFound)
		default:
			serveFile(w, r)
		}
	})
}

// protect sets the headers that every answer has.
func protect(h http.Header) {
	h.Set("Content-Security-Policy", policy)
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
}

func serveFile(w http.ResponseWriter, r *http.Request) {
	name, types := r.URL.Path, map[string]string{
		".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	}
	switch name {
	case "/":
		name = "/index.html"
	case "/story", "/wall":
		name += ".html"
	}
	text, err := fs.ReadFile(files, "page"+path.Clean(name))
	if err != nil {
		http.Error(w, "There is nothing here. The display is at /.", http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Type", types[path.Ext(name)])
	// A client that has gone needs no answer.
	_, _ = w.Write(text)
}

// ours tells whether a request names this bench as its host: a loopback name or
// address, the host of the configuration, or the address that the connection came
// in at. A page of another site that points its own name here (DNS rebinding)
// cannot name any of these.
func (s *Server) ours(r *http.Request) bool {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.TrimPrefix(host, "["), "]"))
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return host != "" && host == strings.ToLower(s.host)
	}
	ip = ip.Unmap()
	if ip.IsLoopback() {
		return true
	}
	if own, err := netip.ParseAddr(s.host); err == nil && own.Unmap() == ip && !ip.IsUnspecified() {
		return true
	}
	at, _ := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if at == nil {
		return false
	}
	local, err := netip.ParseAddrPort(at.String())
	return err == nil && local.Addr().Unmap() == ip
}
