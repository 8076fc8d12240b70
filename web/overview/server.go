package overview

import (
	"bufio"
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"io"
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
		_ = s.Since(ctx, after).write(w) // a reader that is gone needs nothing more
	})
	return mux
}

// write writes the page in JSON row by row: a reader who takes his time holds one of them
// and no more.
func (p Page) write(w io.Writer) error {
	rows := p.Rows
	p.Rows = []Row{}
	head, err := json.Marshal(p)
	if err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	out.Write(bytes.TrimSuffix(head, []byte("]}"))) // the rows come last
	for i, r := range rows {
		if i > 0 {
			out.WriteByte(',')
		}
		b, err := json.Marshal(r)
		if err != nil {
			return err
		}
		out.Write(b)
	}
	out.WriteString("]}\n")
	return out.Flush()
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
