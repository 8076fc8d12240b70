package overview

import (
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"strconv"
	"time"

	"polard/web"
)

//go:embed assets
var embedded embed.FS

// Options say where the page is served.
type Options struct {
	Addr         string
	AllowNetwork bool
	Hosts        []string
	Ready        func(url string)
}

// waitAtMost is how long a page waits for news: less than proxies allow.
const waitAtMost = 20 * time.Second

// handler answers for the page, its files and the rows.
func handler(s *Store) http.Handler {
	mux := http.NewServeMux()
	own, err := fs.Sub(embedded, "assets")
	if err != nil { // embedded above
		panic(err)
	}
	mux.Handle("GET /", http.FileServerFS(own))
	mux.Handle("GET /shared/", http.StripPrefix("/shared/", http.FileServerFS(web.SharedFiles())))
	mux.HandleFunc("GET /api/v1/piers", func(w http.ResponseWriter, r *http.Request) {
		var after uint64
		if text := r.URL.Query().Get("after"); text != "" {
			var err error
			if after, err = strconv.ParseUint(text, 10, 64); err != nil {
				http.Error(w, "after is a sequence number from an earlier answer", http.StatusBadRequest)
				return
			}
		}
		ctx, cancel := context.WithTimeout(r.Context(), waitAtMost)
		defer cancel()
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(s.Since(ctx, after)) // a reader that is gone needs nothing more
	})
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, _ *http.Request) {
		s.mu.Lock()
		defer s.mu.Unlock()
		if !s.connected {
			http.Error(w, "the broker cannot be heard", http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintln(w, "ok")
	})
	return mux
}

// Serve serves the page until ctx ends.
func Serve(ctx context.Context, s *Store, opt Options) error {
	if err := web.CheckAddr(opt.Addr, opt.AllowNetwork); err != nil {
		return err
	}
	ln, err := new(net.ListenConfig).Listen(ctx, "tcp", opt.Addr)
	if err != nil {
		return fmt.Errorf("cannot listen on %s: %w (is another one running? choose another port)", opt.Addr, err)
	}
	srv := &http.Server{
		Handler:     web.LookOn(handler(s), opt.Hosts),
		BaseContext: func(net.Listener) context.Context { return ctx },
		ReadTimeout: 10 * time.Second, WriteTimeout: waitAtMost + 10*time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
	}
	served := make(chan error, 1)
	go func() { served <- srv.Serve(ln) }()
	if opt.Ready != nil {
		opt.Ready("http://" + ln.Addr().String() + "/")
	}
	select {
	case err := <-served:
		return err
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	if err := srv.Shutdown(stop); err != nil {
		_ = srv.Close()
	}
	if err := <-served; !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}
