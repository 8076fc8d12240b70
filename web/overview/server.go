package overview

import (
	"context"
	"embed"
	"encoding/json"
	"errors"
	"io/fs"
	"net/http"
	"strconv"
	"time"

	"polard/web"
)

//go:embed assets
var embedded embed.FS

// waitAtMost is how long a page waits for news: less than proxies allow.
const waitAtMost = 20 * time.Second

// Handler answers for the page, its files and the rows. It guards nothing: see
// [web.Options], Shown.
func Handler(s *Store) http.Handler {
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
	return mux
}

// Able tells that the broker cannot be heard, or nil.
func (s *Store) Able(context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.connected {
		return errors.New("the broker cannot be heard")
	}
	return nil
}
