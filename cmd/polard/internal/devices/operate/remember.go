package operate

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"

	"polard/cmd/polard/internal/devices/connect"
	"polard/web"
)

// memory is what outlives a restart. It holds names, no addresses.
type memory struct {
	connect.Choice
	// Axis is where the axis was last known to stand.
	Axis *web.AxisBefore `json:",omitempty"`
	// Night is the one in which the schedule measured last, and Due tells that it is to measure after a
	// change; Rests says why it does nothing until somebody has looked.
	Night     string    `json:",omitempty"`
	Due       bool      `json:",omitempty"`
	Rests     string    `json:",omitempty"`
	RestsSaid *web.Said `json:",omitempty"`
}

// remembered is the memory of an earlier run.
func (o *Operation) remembered() memory {
	var m memory
	if o.opt.Remember == "" {
		return m
	}
	text, err := os.ReadFile(o.opt.Remember)
	if err == nil {
		err = json.Unmarshal(text, &m)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		o.opt.Log.Warn("which camera and mount were chosen, and when was measured, is not known any more", "error", err)
		return memory{}
	}
	return m
}

// remember changes what is remembered and keeps it.
func (o *Operation) remember(change func(*memory)) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	change(&o.memory)
	if o.opt.Remember == "" {
		return nil
	}
	text, err := json.Marshal(o.memory)
	if err != nil {
		return err
	}
	part := o.opt.Remember + ".part"
	if err := os.WriteFile(part, text, 0o600); err != nil {
		return err
	}
	return os.Rename(part, o.opt.Remember)
}

// keep is remember where nobody waits for the outcome.
func (o *Operation) keep(change func(*memory)) {
	if err := o.remember(change); err != nil {
		o.opt.Log.Warn("what the schedule has done is not kept over a restart", "error", err)
	}
}
