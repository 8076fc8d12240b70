package operate

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"

	"polard/cmd/polard/internal/devices/connect"
)

// remembered is the choice of an earlier run.
func (o *Operation) remembered() connect.Choice {
	var c connect.Choice
	if o.opt.Remember == "" {
		return c
	}
	text, err := os.ReadFile(o.opt.Remember)
	if err == nil {
		err = json.Unmarshal(text, &c)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		o.opt.Log.Warn("which camera and mount were chosen is not known any more", "error", err)
		return connect.Choice{}
	}
	return c
}

// remember keeps a choice. Names are kept, no addresses.
func (o *Operation) remember(c connect.Choice) error {
	if o.opt.Remember == "" {
		return nil
	}
	text, err := json.Marshal(c)
	if err != nil {
		return err
	}
	part := o.opt.Remember + ".part"
	if err := os.WriteFile(part, text, 0o600); err != nil {
		return err
	}
	return os.Rename(part, o.opt.Remember)
}
