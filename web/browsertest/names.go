package browsertest

import (
	"encoding/json"
	"slices"
	"strings"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/chromedp"
)

// told apart have to be what one operates and the headings that one jumps to: a list of them, as a screen reader gives
// it, and a word said to speech control leave no doubt (WCAG 2.2, success criteria 2.4.6 and 4.1.2).
var toldApart = []string{"button", "link", "textbox", "combobox", "checkbox", "slider", "spinbutton", "heading", "DisclosureTriangle", "switch"}

// grouping are the roles whose name a screen reader says on the way to what stands in them.
var grouping = []string{"group", "region", "form", "row", "dialog"}

// NamesApart fails where two things of one role bear one name in groups of one name, or none.
func (p *Page) NamesApart(name string) {
	p.T.Helper()
	Eval[bool](p, `(document.querySelectorAll("details:not([open])").forEach(d => { d.open = true; d.dataset.shut = ""; }), true)`)
	tree, err := chromedp.Call(p.Ctx, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	if err != nil {
		p.T.Fatal(err)
	}
	Eval[bool](p, `(document.querySelectorAll("details[data-shut]").forEach(d => { d.open = false; delete d.dataset.shut; }), true)`)
	byID := map[accessibility.NodeID]*accessibility.Node{}
	for _, n := range tree.Nodes {
		byID[n.NodeID] = n
	}
	seen := map[string]bool{}
	for _, n := range tree.Nodes {
		if n.Ignored || !slices.Contains(toldApart, textOf(n.Role)) {
			continue
		}
		path := []string{textOf(n.Name), textOf(n.Role)}
		for at := byID[n.ParentID]; at != nil; at = byID[at.ParentID] {
			if group := textOf(at.Name); group != "" && slices.Contains(grouping, textOf(at.Role)) && textOf(n.Role) != "heading" {
				path = append(path, group)
			}
		}
		if key := strings.Join(path, " in "); seen[key] {
			p.T.Errorf("%s: twice %s", name, key)
		} else {
			seen[key] = true
		}
		if path[0] == "" {
			p.T.Errorf("%s: a %s without a name", name, textOf(n.Role))
		}
	}
}

func textOf(v *accessibility.Value) string {
	var s string
	if v != nil {
		_ = json.Unmarshal(v.Value, &s) // names and roles are strings
	}
	return s
}
