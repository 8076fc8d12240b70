package main

import (
	"testing"

	"polard/web"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// On the page, with the real INDI server: a plan is shown, moved by, stopped in the middle; measured to the
// end; frames come on and on; the server is lost and comes back.
func TestBrowserEquipment(t *testing.T) {
	t.Parallel() // it waits most of its time
	if testing.Short() {
		t.Skip("takes a minute")
	}
	browser := browsertest.Start(t)
	o := startOperated(t)
	p := browsertest.NewPage(t, browser)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(o.URL))
	press := func(look string) {
		t.Helper()
		p.Until(`!document.querySelector("#equipment ` + look + `").disabled && !document.querySelector("#equipment ` + look + `").hidden`)
		browsertest.Eval[bool](p, `(document.querySelector("#equipment `+look+`").click(), true)`)
	}
	// A browser that the machine keeps from speaking for three seconds is taken for one that is gone: the mount is stopped, and
	// whoever sits there has it begin anew.
	begin := func() {
		t.Helper()
		press(".equipment-measure")
		p.Until(`!document.querySelector(".equipment-plan").hidden`)
		press(".equipment-measure")
	}
	goesOnTo := func(what string, holds func(*web.EquipmentState) bool) {
		t.Helper()
		o.until(t, what, func(q *web.EquipmentState) bool {
			if q.Activity == "idle" && q.TroubleSaid != nil && q.TroubleSaid.Code == "operator_gone" {
				t.Logf("before %s: %s", what, q.Trouble)
				begin()
			}
			return holds(q)
		})
	}
	p.Until(`document.body.dataset.view === "setup"`) // a page that is new here begins with the set-up
	browsertest.Eval[bool](p, `(document.getElementById("setup-open").click(), true)`)
	p.Until(`document.body.dataset.view === "work"`)
	p.Says("Rehearsed Camera on Rehearsed Mount")
	press(".equipment-measure")
	p.Says("degrees to the west")
	press(".equipment-measure")
	goesOnTo("the page to say that the mount turns", func(*web.EquipmentState) bool {
		return browsertest.Eval[bool](p, browsertest.Shows("The mount turns"))
	})
	press(".equipment-stop")
	o.until(t, "the mount to stand", func(q *web.EquipmentState) bool { return q.Activity == "idle" })
	p.Says("Nothing moves.")

	begin()
	goesOnTo("the loop", func(q *web.EquipmentState) bool { return q.Looping })
	p.Says("Altitude bolt")
	o.server.Kill()
	p.Says("waiting for it to come back")
	o.server.Start()
	many := o.pictures()
	o.until(t, "pictures after the server is back", func(*web.EquipmentState) bool { return o.pictures() > many+1 })
	press(".equipment-stop")
	o.until(t, "the end of the loop", func(q *web.EquipmentState) bool { return !q.Looping })
}
