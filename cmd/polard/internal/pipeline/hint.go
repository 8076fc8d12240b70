package pipeline

import (
	"math"
	"slices"

	"polard/fits"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/solve"
)

// seenCamera is what tells the frames of one camera before they are solved, and the scale with which the last of them was.
type seenCamera struct {
	width, height int
	header        sky.Angle // the scale that follows from the header; 0 when none does
	scale         sky.Angle
}

// anyHeader: what the header said is not known any more.
const anyHeader = sky.Angle(-1)

// widerAfter is how many frames in a row fail before one of them is searched
// without the scale of the last that was solved: by then the camera or the
// optics may have been changed, and frames that follow each other closely leave no
// time for a deeper search.
const widerAfter = 5

// took tells whether a frame may be of the camera: a header that names another scale is one of other optics.
func (k *seenCamera) took(f *fits.Frame) bool {
	same := k.header == anyHeader || k.header == f.ScaleHint || math.Abs(float64(f.ScaleHint/k.header)-1) <= otherLens
	return k.width == f.Width && k.height == f.Height && same
}

// remember notes the camera of a frame that was solved.
func (p *Pipeline) remember(k seenCamera) {
	p.seen = slices.DeleteFunc(p.seen, func(o seenCamera) bool {
		return o.width == k.width && o.height == k.height && (o.header == k.header || o.header == anyHeader)
	})
	p.seen = append(p.seen, k)
	p.seen = p.seen[max(0, len(p.seen)-mostLenses):]
}

// hintFor is what is believed about a frame before its stars are read.
func (p *Pipeline) hintFor(frame *fits.Frame) solve.Hint {
	hint := solve.Hint{Scale: frame.ScaleHint, Last: p.lastAt, Epoch: observed.JulianEpoch(p.clock())}
	if !frame.Mid.IsZero() {
		hint.Epoch = observed.JulianEpoch(frame.Mid)
	}
	if hint.Near = frame.Position; p.Near != nil {
		hint.Near = p.Near
	}
	switch {
	case p.Scale > 0:
		hint.Scale = p.Scale
	case p.Field > 0:
		hint.Scale = p.Field / sky.Angle(max(frame.Width, frame.Height))
	case (p.failed+1)%widerAfter != 0:
		for _, k := range slices.Backward(p.seen) {
			if k.took(frame) {
				hint.Scale = k.scale
				break
			}
		}
	}
	return hint
}
