package browsertest

// shiftWatcher collects what the browser reports of parts of the page that jumped without
// a touch or a key right before (Layout Instability, W3C draft: the entries without
// hadRecentInput), with what moved.
const shiftWatcher = `(() => {
	if (window.shifts) return true;
	window.shifts = [];
	const where = r => Math.round(r.x) + "," + Math.round(r.y) + " " + Math.round(r.width) + "x" + Math.round(r.height);
	new PerformanceObserver(list => {
		for (const e of list.getEntries()) if (!e.hadRecentInput) window.shifts.push({value: e.value,
			moved: e.sources.map(s => (s.node?.outerHTML ?? s.node?.textContent ?? "?").slice(0, 90) + ": " + where(s.previousRect) + " -> " + where(s.currentRect)).join("; ")});
	}).observe({type: "layout-shift", buffered: true});
	return true;
})()`

// WatchShifts begins to watch for parts of the page that jump.
func (p *Page) WatchShifts() {
	p.T.Helper()
	Eval[bool](p, shiftWatcher)
}

// HoldsStill fails when anything jumped since WatchShifts, or since the page was loaded.
func (p *Page) HoldsStill(name string) {
	p.T.Helper()
	shifts := Eval[[]struct {
		Value float64 `json:"value"`
		Moved string  `json:"moved"`
	}](p, `window.shifts`)
	total := 0.0
	for _, s := range shifts {
		total += s.Value
	}
	if total > 0 {
		p.T.Errorf("%s: the page jumps, Layout Instability value %.4f:", name, total)
		for _, s := range shifts {
			p.T.Logf("  %.4f: %s", s.Value, s.Moved)
		}
	}
}
