package report

import (
	"fmt"

	"golang.org/x/net/html"
)

// attr are the attributes of an element, name and value in turn.
type attr []string

// element makes an element of HTML, or of SVG inside one. Children are *html.Node, or texts; nil is left out. Nothing in a
// text or an attribute is markup.
func element(name string, attributes attr, children ...any) *html.Node {
	n := &html.Node{Type: html.ElementNode, Data: name}
	for i := 0; i+1 < len(attributes); i += 2 {
		n.Attr = append(n.Attr, html.Attribute{Key: attributes[i], Val: attributes[i+1]})
	}
	return add(n, children...)
}

// add puts children into an element.
func add(n *html.Node, children ...any) *html.Node {
	for _, c := range children {
		switch c := c.(type) {
		case *html.Node:
			if c != nil {
				n.AppendChild(c)
			}
		case []*html.Node:
			for _, e := range c {
				n.AppendChild(e)
			}
		default:
			n.AppendChild(&html.Node{Type: html.TextNode, Data: fmt.Sprint(c)})
		}
	}
	return n
}

// px is a length in a drawing.
func px(v float64) string { return fmt.Sprintf("%.1f", v) }
