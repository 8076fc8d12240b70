package index

import (
	"context"
	"sync/atomic"
	"time"

	"polard/catalogs"
	"polard/catalogs/deep"
)

// Index gives the levels of a catalogue's index. Each is made when first wanted. It is safe for use by
// many goroutines.
type Index struct {
	Catalogue *catalogs.Catalogue
	Added     *deep.Catalogue // for narrow fields, see region.go; nil for none
	folder    string          // of cached levels; "" for none
	clock     func() time.Time
	levels    []lazyLevel
}

// lazyLevel is a level that is made when first wanted.
type lazyLevel struct {
	made  atomic.Pointer[Level]
	maker chan struct{} // has room for one: who makes the level
}

// New makes an index of a catalogue. Its levels are cached in the folder, 160 MB in all,
// for the next process that wants them (cache.go); "" caches none. The clock tells unfinished files that are old.
func New(cat *catalogs.Catalogue, folder string, clock func() time.Time) *Index {
	x := &Index{Catalogue: cat, folder: folder, clock: clock, levels: make([]lazyLevel, len(Specs))}
	for i := range x.levels {
		x.levels[i].maker = make(chan struct{}, 1)
	}
	return x
}

// Level gives the level of that number in [Specs]. The one who wants it first makes it, in goroutines
// that have ended when Level returns; when that one's context ends first, the next makes it. The error is the context's.
func (x *Index) Level(ctx context.Context, number int) (*Level, error) {
	lazy := &x.levels[number]
	if l := lazy.made.Load(); l != nil {
		return l, nil
	}
	select {
	case lazy.maker <- struct{}{}:
		defer func() { <-lazy.maker }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if l := lazy.made.Load(); l != nil {
		return l, nil
	}
	l, err := cached(ctx, x, Specs[number])
	if err != nil {
		return nil, err
	}
	lazy.made.Store(l)
	return l, nil
}
