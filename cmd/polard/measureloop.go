package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"slices"

	"polard/cmd/polard/internal/devices/measure"
	"polard/mountmodel/adjust"
)

// loopKeeps is how many pictures of the loop are reckoned with: the newest says how the axis stands, and
// the ones before it whether the drive runs.
const loopKeeps = 20

// goOn exposes on and on while the bolts are turned. Its end by Ctrl-C is no failure.
func (h *shellMeasurement) goOn(ctx context.Context, m *measure.Measurer) error {
	h.say("Exposing on and on. Turn the bolts; Ctrl-C ends it.")
	h.measured = len(h.outcomes)
	err := m.Loop(ctx)
	// Nothing moves any more but the drive; a stop is harmless.
	if stopErr := m.Stop(); stopErr != nil {
		return errors.Join(err, stopErr)
	}
	if ctx.Err() != nil {
		h.say("The mount was told to stop.")
	}
	return err
}

// live prints what the newest picture says of the axis while bolts are turned.
func (h *shellMeasurement) live() {
	if extra := len(h.outcomes) - h.measured - loopKeeps; extra > 0 {
		h.outcomes = slices.Delete(h.outcomes, h.measured, h.measured+extra)
	}
	newest := h.outcomes[len(h.outcomes)-1]
	if newest.Problem != nil {
		h.say("picture %d not used: %s", h.taken, newest.Problem.Message)
		return
	}
	r := h.report(h.measured)
	if n := len(r.view.Adjust); r.failure != nil || n == 0 || r.view.Adjust[n-1].Name != newest.Sighting.Name {
		h.say("picture %d: it does not tell where the axis points", h.taken)
		return
	}
	if err := r.printNewest(h.c.OutOrStdout(), h.asJSON); err != nil {
		h.say("%v", err)
	}
}

// printNewest prints what the newest of the frames says that were taken while bolts were being turned.
func (r axisReport) printNewest(w io.Writer, asJSON bool) error {
	newest := r.view.Adjust[len(r.view.Adjust)-1]
	if asJSON {
		return writeJSON(w, adjustOf(newest))
	}
	var b bytes.Buffer
	r.statusWords(&b, shownName(newest.Name), newest.Status)
	_, err := b.WriteTo(terminal{w})
	return err
}

// adjustOf is what a frame says that was taken while bolts were being turned, in wire form.
func adjustOf(a adjust.Report) adjustJSON {
	return adjustJSON{
		File: a.Name, Axis: directionOf(a.Status.Axis.Dir), Offset: offsetOf(a.Status), Move: moveOf(a.Status),
		Uncertainty: uncertaintyOf(a.Status), Tracking: a.TrackingOdds > 0.5, Drive: string(a.Drive),
	}
}
