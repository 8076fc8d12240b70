package indi

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"polard/cmd/polard/internal/devices"
)

// States of a property.
const (
	stateIdle  = "Idle"
	stateOK    = "Ok"
	stateBusy  = "Busy"
	stateAlert = "Alert"
)

const switchOn = "On"

// property is the newest of one vector.
type property struct {
	kind     string // "Text", "Number", "Switch", "Light", "BLOB"
	state    string
	writable bool
	elements []element
	// updates counts the messages about it, the definition included.
	updates int
	at      time.Time // of the newest of them
}

func (p *property) element(name string) *element {
	if p == nil {
		return nil
	}
	for i := range p.elements {
		if p.elements[i].name == name {
			return &p.elements[i]
		}
	}
	return nil
}

// on tells whether a switch is on.
func (p *property) on(name string) bool {
	e := p.element(name)
	return e != nil && e.value == switchOn
}

// number reads a member of a number vector.
func (p *property) number(name string) (float64, error) {
	e := p.element(name)
	if e == nil {
		return 0, fmt.Errorf("there is no %s", name)
	}
	return parseNumber(e.value)
}

func (p *property) text(name string) string {
	if e := p.element(name); e != nil {
		return e.value
	}
	return ""
}

// device is what is known of one device.
type device struct {
	properties map[string]*property
	// said is the newest thing the device said in words.
	said string
}

func (d *device) property(name string) *property {
	if d == nil {
		return nil
	}
	return d.properties[name]
}

// Bounds of what is kept for a server, far above real ones.
const (
	maxDevices    = 200
	maxProperties = 2000
	maxElements   = 2000
)

// tree holds all devices of a server.
type tree map[string]*device

// take brings the tree up to date with a message. Pictures are not kept in it: their values are
// taken off.
func (t tree) take(m message, now time.Time) error {
	if len(m.elements) > maxElements {
		return fmt.Errorf("a property of %d members", len(m.elements))
	}
	switch {
	case m.tag == "message":
		if d := t[m.device]; d != nil && m.text != "" {
			d.said = m.text
		}
	case m.tag == "delProperty":
		d := t[m.device]
		switch {
		case d == nil:
		case m.name == "":
			delete(t, m.device)
		default:
			delete(d.properties, m.name)
		}
	case strings.HasPrefix(m.tag, "def") && strings.HasSuffix(m.tag, "Vector"):
		return t.define(m, now)
	case strings.HasPrefix(m.tag, "set") && strings.HasSuffix(m.tag, "Vector"):
		t.set(m, now)
	}
	return nil // what is not known is passed over, as the protocol asks
}

func (t tree) define(m message, now time.Time) error {
	if m.device == "" || m.name == "" {
		return nil
	}
	d := t[m.device]
	if d == nil {
		if len(t) >= maxDevices {
			return fmt.Errorf("more than %d devices", maxDevices)
		}
		d = &device{properties: make(map[string]*property)}
		t[m.device] = d
	}
	if m.text != "" {
		d.said = m.text
	}
	p := d.properties[m.name]
	if p == nil {
		if len(d.properties) >= maxProperties {
			return fmt.Errorf("more than %d properties", maxProperties)
		}
		p = &property{}
		d.properties[m.name] = p
	}
	p.kind = strings.TrimSuffix(strings.TrimPrefix(m.tag, "def"), "Vector")
	p.state, p.writable = m.state, strings.Contains(m.perm, "w")
	p.elements = slices.Clone(m.elements)
	p.updates, p.at = p.updates+1, now
	return nil
}

func (t tree) set(m message, now time.Time) {
	d := t[m.device]
	p := d.property(m.name)
	if p == nil {
		return
	}
	if m.text != "" {
		d.said = m.text
	}
	if m.state != "" {
		p.state = m.state
	}
	p.updates, p.at = p.updates+1, now
	for _, e := range m.elements {
		if old := p.element(e.name); old != nil && p.kind != "BLOB" {
			old.value = e.value
			if e.min != "" {
				old.min = e.min
			}
			if e.max != "" {
				old.max = e.max
			}
		}
	}
}

// found lists cameras and mounts by name.
func (t tree) found() []devices.Found {
	var out []devices.Found
	for _, name := range slices.Sorted(maps.Keys(t)) {
		d := t[name]
		info := d.property("DRIVER_INFO")
		bits, err := info.number("DRIVER_INTERFACE")
		if err != nil {
			bits = 0
		}
		driver := strings.TrimSpace(info.text("DRIVER_EXEC") + " " + info.text("DRIVER_VERSION"))
		connected := d.property("CONNECTION").on("CONNECT")
		add := func(kind devices.Kind, bit int, property string) {
			if int(bits)&bit != 0 || d.property(property) != nil {
				out = append(out, devices.Found{Kind: kind, Name: name, Driver: driver, Connected: connected})
			}
		}
		add(devices.KindCamera, interfaceCCD, "CCD_EXPOSURE")
		add(devices.KindMount, interfaceTelescope, "EQUATORIAL_EOD_COORD")
	}
	return out
}
