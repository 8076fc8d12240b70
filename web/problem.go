package web

import (
	"cmp"
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"slices"

	"polard/mountmodel"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"

	"github.com/labstack/echo/v4"
)

// problem is an answer to a request that was not carried out: its status, a
// code for programs and a sentence for the person.
type problem struct {
	status  int
	code    string
	message string
	reason  string // why the session refuses, for catalogues; empty where it has no name
	said    *Said  // the message for catalogues, where it has a code
}

func (p *problem) Error() string { return p.message }

func badRequest(message string) error {
	return &problem{status: http.StatusBadRequest, code: "bad_request", message: message}
}

// badCall is a [badRequest] that a catalogue can say.
func badCall(code, format string, args ...any) error {
	s := sky.Say(code, format, args...)
	return &problem{status: http.StatusBadRequest, code: "bad_request", message: s.Text, said: said(s)}
}

// problemTitles names every kind of problem that the service answers with. A
// title is the same whenever its kind occurs; what is particular stands in the
// detail (RFC 9457, section 3.1.3).
var problemTitles = map[string]string{
	"bad_request":        "the request cannot be read or asks for something impossible",
	"full":               "too many pages are open",
	"internal":           "something went wrong in the service",
	"many_devices":       "too many devices are paired",
	"method_not_allowed": "the address exists, but not for this method",
	"no_picture":         "there is no picture of that frame",
	"no_place":           "it is not known yet where the mount stands",
	"no_websocket":       "the address speaks websocket",
	"not_found":          "there is nothing at this address",
	"not_healthy":        "the service does not answer",
	"not_paired":         "the device is not paired",
	"not_ready":          "the service cannot do its work now",
	"not_json":           "a command is sent as application/json",
	"only_here":          "this is done on the machine that runs the service",
	"refused":            "the session refuses the command as things stand",
	"stopping":           "the service is stopping",
	"too_fast":           "too many requests in a short time",
	"too_large":          "the request is too long",
	"view_only":          "this device may look on but not operate",
	"wrong_code":         "the link that pairs was used, is too old, or is wrong",
	"wrong_host":         "the service does not go by this name",
	"wrong_origin":       "only the service's own page may do this",
}

// problemsPath is where the kinds of problems are listed: the type of each
// problem is a reference to it.
const problemsPath = "/api/v1/problems"

// problemJSON is the body of every answer that is an error: problem details
// (RFC 9457, section 3.1) with the code as an extension member.
type problemJSON struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
	Code   string `json:"code"`
	Reason string `json:"reason,omitempty"`
	Said   *Said  `json:"said,omitempty"`
}

// reasons name what refuses a command, the particular before the general.
var reasons = []struct {
	err  error
	name string
}{
	{mountmodel.ErrNotMeasured, "not_measured"},
	{mountmodel.ErrNotLocked, "not_locked"},
	{mountmodel.ErrFrameNeeded, "frame_needed"},
	{mountmodel.ErrTurns, "turns"},
	{plan.ErrAirAlone, "air_alone"},
	{plan.ErrNotSteerable, "not_steerable"},
	{mountmodel.ErrNotNow, "not_now"},
}

// refused is the answer to a command that the session does not follow.
func refused(err error) error {
	p := &problem{status: http.StatusConflict, code: "refused", message: err.Error()}
	if s := sky.SayingOf(err); s.Code != "" {
		p.said = said(s)
	}
	for _, r := range reasons {
		if errors.Is(err, r.err) {
			p.reason = r.name
			break
		}
	}
	return p
}

// mimeProblem is registered by RFC 9457, section 6.1.
const mimeProblem = "application/problem+json"

// answerError turns every error into problem details. What is not meant for the
// person stays in the log.
func (s *Server) answerError(err error, c echo.Context) {
	if c.Response().Committed {
		return
	}
	p := &problem{status: http.StatusInternalServerError, code: "internal", message: "something went wrong in the service; its log says what"}
	var known *problem
	var he *echo.HTTPError
	switch {
	case errors.As(err, &known):
		p = known
	case errors.As(err, &he):
		p = &problem{status: he.Code, code: httpCode(he.Code), message: http.StatusText(he.Code)}
	default:
		s.opt.Logger.Error("request failed", "path", c.Request().URL.Path, "error", err)
	}
	body, err := json.Marshal(problemJSON{
		Type: problemsPath + "#" + p.code, Title: cmp.Or(problemTitles[p.code], http.StatusText(p.status)),
		Status: p.status, Detail: p.message, Code: p.code, Reason: p.reason, Said: p.said,
	})
	if err == nil {
		err = c.Blob(p.status, mimeProblem, body)
	}
	if err != nil {
		s.opt.Logger.Debug("answer not sent", "error", err)
	}
}

// httpCode names what the router itself refuses.
func httpCode(status int) string {
	switch status {
	case http.StatusNotFound:
		return "not_found"
	case http.StatusMethodNotAllowed:
		return "method_not_allowed"
	case http.StatusRequestEntityTooLarge:
		return "too_large"
	}
	if status >= http.StatusInternalServerError {
		return "internal"
	}
	return "bad_request"
}

// problemKind is one line of the list of problems.
type problemKind struct {
	Code  string `json:"code"`
	Title string `json:"title"`
}

func getProblems(c echo.Context) error {
	kinds := []problemKind{}
	for _, code := range slices.Sorted(maps.Keys(problemTitles)) {
		kinds = append(kinds, problemKind{code, problemTitles[code]})
	}
	return c.JSON(http.StatusOK, map[string][]problemKind{"problems": kinds})
}
