package harness

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"polard/web"
)

// Running is a service that was started by a command.
type Running struct {
	URL            string
	Stdout, Stderr Output
	end            context.CancelFunc
	ended          chan int
}

var PageAddress = regexp.MustCompile(`https?://[0-9.:\[\]]+/`)

// StartWith runs a service until the test ends.
func StartWith(t *testing.T, run func(context.Context, *Running) int) *Running {
	t.Helper()
	ctx, end := context.WithCancel(context.WithoutCancel(t.Context()))
	r := &Running{end: end, ended: make(chan int, 1)}
	go func() { r.ended <- run(ctx, r) }()
	t.Cleanup(func() {
		r.end()
		select {
		case <-r.ended:
		case <-time.After(Patience):
			t.Error("the service did not end")
		}
	})
	Eventually(t, "the page's address", func() (bool, string) {
		r.URL = PageAddress.FindString(r.Stdout.String())
		select {
		case status := <-r.ended:
			r.ended <- status
			t.Fatalf("ended with status %d: %s", status, r.Stderr.String())
		default:
		}
		return r.URL != "", r.Stdout.String()
	})
	return r
}

// Stop ends the service as Ctrl-C does, and gives its status and how long
// that took.
func (r *Running) Stop(t *testing.T) (status int, took time.Duration) {
	t.Helper()
	begin := time.Now()
	r.end()
	select {
	case status = <-r.ended:
		r.ended <- status
	case <-time.After(Patience):
		t.Fatal("the service did not end")
	}
	return status, time.Since(begin)
}

// State asks the state endpoint.
func (r *Running) State(t *testing.T) *web.State {
	t.Helper()
	answer, err := http.Get(r.URL + "api/v1/state")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	var envelope struct {
		State *web.State `json:"state"`
	}
	if err := json.NewDecoder(answer.Body).Decode(&envelope); err != nil {
		t.Fatal(err)
	}
	return envelope.State
}

// After waits until a file was dealt with and its numbers are published.
func (r *Running) After(t *testing.T, file string) *web.State {
	t.Helper()
	var s *web.State
	Eventually(t, "the numbers of "+file, func() (bool, string) {
		s = r.State(t)
		if s == nil || s.Latest == nil {
			return false, "no frame yet; log: " + r.Stderr.String()
		}
		return s.Latest.File == file, s.Latest.File + "; log: " + r.Stderr.String()
	})
	return s
}

// Post sends a command as the page does.
func (r *Running) Post(t *testing.T, path, body string) (status int, answer string) {
	t.Helper()
	resp, err := http.Post(r.URL+"api/v1/"+path, "application/json", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}
