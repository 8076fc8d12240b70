package service

import (
	"polard/fits"
	"polard/mountmodel/clock"
	"polard/mountmodel/sky"
	"polard/web"
)

// Codes of notices on what a frame's header says.
const (
	NoticeHeader = "header" // something in it was guessed, or makes no sense
	NoticeSite   = "site"   // it names another place than the one in use
)

// HeaderNotices are what a frame's header gives to say, the place in use given;
// nil while that is unknown.
func HeaderNotices(f *fits.Frame, used *sky.Site) []web.Notice {
	if f == nil {
		return nil
	}
	var out []web.Notice
	if used != nil && f.Site != nil {
		if text := clock.CompareSites(*used, *f.Site, "the frame's header"); text != "" {
			out = append(out, web.Notice{Code: NoticeSite, Message: text})
		}
	}
	for _, text := range f.Warnings {
		out = append(out, web.Notice{Code: NoticeHeader, Message: text})
	}
	return out
}

// OnceOnly passes each message once: the frames of a night repeat what their
// headers give to say.
type OnceOnly map[string]bool

// mostOnce bounds the messages kept. Those that hold a frame's own numbers are
// never the same.
const mostOnce = 500

// First tells whether a message comes for the first time.
func (o OnceOnly) First(message string) bool {
	if o[message] {
		return false
	}
	if len(o) >= mostOnce {
		clear(o)
	}
	o[message] = true
	return true
}
