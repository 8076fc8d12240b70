package fit

import (
	"context"
	"slices"

	"polard/solve/parallel"
)

// Rounds over blended stars, each with the others' last places subtracted,
// and LaterRounds where these are good already.
const (
	Rounds      = 3
	LaterRounds = 1
)

// All fits the first n sources, with so many rounds over blends, and gives the new list. The error is ctx's.
func All(ctx context.Context, workers int, g Given, sources []Source, n, rounds int) ([]Source, error) {
	sources = slices.Clone(sources)
	fitters := newFitters(g, workers)
	const chunk = 32
	each := func(list []int, last []Source, finish bool) error {
		return parallel.Each(ctx, workers, (len(list)+chunk-1)/chunk, func(w, i int) {
			for _, j := range list[i*chunk : min(len(list), (i+1)*chunk)] {
				switch {
				case ctx.Err() != nil:
				case finish:
					fitters[w].fitBest(&sources[j], last)
				default:
					fitters[w].settle(&sources[j], last)
				}
			}
		})
	}
	var alone, blended []int
	for i := range n {
		if len(sources[i].near) > 0 {
			blended = append(blended, i)
		} else {
			alone = append(alone, i)
		}
	}
	if err := each(alone, sources, true); err != nil {
		return nil, err
	}
	for i := range rounds {
		if err := each(blended, slices.Clone(sources), i == rounds-1); err != nil {
			return nil, err
		}
	}
	return sources, nil
}
