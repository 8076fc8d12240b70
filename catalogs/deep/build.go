package deep

import (
	"bufio"
	"cmp"
	"container/heap"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"polard/catalogs"
	"polard/catalogs/extract"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Builder makes a catalogue file. Stars are sorted in runs that fit into memory, each is written to a file, and
// the runs are merged in the end: memory does not grow with the number of stars. Until Finish has come to
// its end, all there is lies in a folder of its own beside the file, which Discard removes.
type Builder struct {
	folder  string // for the runs
	cat     *catalogs.Catalogue
	bundled *bundledStars // nil until a star is as bright as they are
	run     []record
	spare   []record   // the run before, while it is being sorted and written
	written chan error // nil, or the end of that
	runs    []string   // files
	atEdge  []edgeStar // stars near the edge of their cell
	dropped map[record]bool
}

// edgeStar is a star that may be the same as one in the next cell.
type edgeStar struct {
	at  sky.Vec
	rec record
}

const (
	// runLength is the number of stars in a run: 64 MB, and twice that while one is being written.
	runLength = 4 << 20

	// samePair and samePairMag are how near and how alike two stars are one.
	samePair    = 0.3 * sky.Arcsecond
	samePairMag = 0.3

	// pairSteps is as many steps (0.1 mas) of u or v as samePair, and a half more: towards the cube's corners steps
	// are shorter, by up to a third.
	pairSteps = 4500

	// Unfinished is how the folder of an import is named, beside the catalogue.
	Unfinished = "import-"
)

// NewBuilder begins a file that is to lie in the folder, merged with the bundled catalogue.
func NewBuilder(folder string, cat *catalogs.Catalogue) (*Builder, error) {
	own, err := os.MkdirTemp(folder, Unfinished)
	if err != nil {
		return nil, err
	}
	return &Builder{folder: own, cat: cat, dropped: map[record]bool{}}, nil
}

// Discard removes what the builder has written; after Finish, nothing is left to remove.
func (b *Builder) Discard() error {
	return errors.Join(b.wait(), os.RemoveAll(b.folder))
}

// Counts says what became of rows.
type Counts struct {
	Rows, Stars int64 // read, and taken: those with a place and a magnitude
}

// AddTable adds the rows of a table whose places are for a Julian year, unless the table says another. Errors
// name the line. progress is called now and then with the number of rows read.
func (b *Builder) AddTable(ctx context.Context, t *extract.Table, year float64, progress func(rows int64)) (n Counts, err error) {
	var row extract.Row
	for {
		if err := t.Read(&row); errors.Is(err, io.EOF) {
			return n, nil
		} else if err != nil {
			return n, err
		}
		n.Rows++
		if n.Rows%(1<<16) == 0 {
			progress(n.Rows)
			if err := ctx.Err(); err != nil {
				return n, err
			}
		}
		if math.IsNaN(row.Mag) {
			continue
		}
		own := year
		if !math.IsNaN(row.Epoch) {
			own = row.Epoch
		}
		if err := b.addRow(&row, own); err != nil {
			return n, fmt.Errorf("row %d: %w", n.Rows, err)
		}
		n.Stars++
	}
}

func (b *Builder) addRow(row *extract.Row, year float64) error {
	s := catalogs.Star{
		Dir: sky.ICRSFromRADec(sky.Angle(row.RA)*sky.Degree, sky.Angle(row.Dec)*sky.Degree), V: float32(row.Mag),
		HasPM: !math.IsNaN(row.PMRA) && !math.IsNaN(row.PMDec),
	}
	if s.HasPM {
		s.PMRA, s.PMDec = float32(row.PMRA), float32(row.PMDec)
		if year != yearOfPlaces {
			// The model of FromEpoch takes any two epochs that are so many years apart.
			s = catalogs.FromEpoch(s, catalogs.Epoch+year-yearOfPlaces)
		}
	}
	if row.Parallax > 0 {
		s.Parallax = float32(row.Parallax)
	}
	v := row.Mag + medianColour
	if !math.IsNaN(row.BP) && !math.IsNaN(row.RP) {
		v = vFromGaia(row.Mag, row.BP, row.RP)
	}
	return b.add(&s, v)
}

// Keep adds the stars of a file that is there already, but for the bundled ones.
func (b *Builder) Keep(ctx context.Context, old *Catalogue) error {
	step := grid.Step(1 << placeBits)
	for cell := range cellCount {
		if err := ctx.Err(); err != nil {
			return err
		}
		f := grid.Frame(cell)
		lo, hi := old.cellRange(cell)
		for i := lo; i < hi; i++ {
			r := old.record(i, cell)
			if r.bundled() {
				continue
			}
			at := r.direction(&f, step)
			s := r.star(0, at)
			s.Dir = sky.ICRS(at)
			b.see(&s, magnitude(r.mag())+medianColour)
			if err := b.put(r, at); err != nil {
				return err
			}
		}
	}
	return nil
}

func (b *Builder) add(s *catalogs.Star, v float64) error {
	r, err := pack(s, false)
	if err != nil {
		return err
	}
	b.see(s, v)
	return b.put(r, sky.Vec(s.Dir))
}

// see marks the bundled stars that a star is.
func (b *Builder) see(s *catalogs.Star, v float64) {
	if v > faintestBundled {
		return
	}
	if b.bundled == nil {
		b.bundled = newBundledStars(b.cat)
	}
	b.bundled.see(s, v)
}

// put takes a record into the run.
func (b *Builder) put(r record, at sky.Vec) error {
	if min(r.u(), r.v()) < pairSteps || max(r.u(), r.v()) > placeMask-pairSteps {
		b.atEdge = append(b.atEdge, edgeStar{at, r})
	}
	if b.run == nil {
		b.run = make([]record, 0, runLength)
	}
	if b.run = append(b.run, r); len(b.run) == runLength {
		return b.flush()
	}
	return nil
}

// flush begins to sort and write the run, and waits for the one before.
func (b *Builder) flush() error {
	if err := b.wait(); err != nil || len(b.run) == 0 {
		return err
	}
	run := b.run
	b.run, b.spare = b.spare[:0], run
	if b.run == nil {
		b.run = make([]record, 0, runLength)
	}
	path := filepath.Join(b.folder, fmt.Sprintf("run-%d", len(b.runs)))
	b.runs = append(b.runs, path)
	b.written = make(chan error, 1)
	go func(done chan<- error) {
		slices.SortFunc(run, compare)
		done <- writeRun(path, run)
	}(b.written)
	return nil
}

func (b *Builder) wait() error {
	if b.written == nil {
		return nil
	}
	err := <-b.written
	b.written = nil
	return err
}

func writeRun(path string, run []record) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<18)
	var p [16]byte
	for _, r := range run {
		binary.LittleEndian.PutUint64(p[:], r.hi)
		binary.LittleEndian.PutUint64(p[8:], r.lo)
		if _, err := w.Write(p[:]); err != nil {
			return errors.Join(err, f.Close())
		}
	}
	return errors.Join(w.Flush(), f.Close())
}

// Finish adds the bundled stars that no extract holds and writes the file, in the place of one that is there.
// dropped is how many stars were left out because they were there already.
func (b *Builder) Finish(ctx context.Context, path string, sources []Source) (dropped int64, err error) {
	for cell := range b.cat.Cells() {
		for s := range b.cat.CellStars(cell) {
			if b.bundled != nil && b.bundled.found[s.ID] {
				continue
			}
			s.V -= medianColour
			s.Dir = s.At(yearOfPlaces)
			r, err := pack(&s, true)
			if err != nil {
				return 0, fmt.Errorf("bundled star %d: %w", s.ID, err)
			}
			if err := b.put(r, sky.Vec(s.Dir)); err != nil {
				return 0, err
			}
		}
	}
	b.bundled = nil
	if err := errors.Join(b.flush(), b.wait()); err != nil {
		return 0, err
	}
	b.run, b.spare = nil, nil
	b.dropAtEdges()
	w := newFileWriter(b.folder)
	if err := b.merge(ctx, w); err != nil {
		return 0, errors.Join(err, w.close())
	}
	if err := w.finish(path, sources, b.cat.Source()); err != nil {
		return 0, err
	}
	return w.dropped, os.RemoveAll(b.folder)
}

// dropAtEdges marks the second of two stars that are one and lie on both sides of a cell's edge.
func (b *Builder) dropAtEdges() {
	slices.SortFunc(b.atEdge, func(p, q edgeStar) int {
		return cmp.Or(cmp.Compare(p.at.X, q.at.X), compare(p.rec, q.rec))
	})
	for i, p := range b.atEdge {
		if b.dropped[p.rec] {
			continue
		}
		for _, q := range b.atEdge[i+1:] {
			if q.at.X-p.at.X > samePair.Radians() {
				break
			}
			if p.rec.bundled() || q.rec.bundled() || p.rec.cell() == q.rec.cell() || r3.Norm(r3.Sub(p.at, q.at)) > samePair.Radians() || !alikeInBrightness(p.rec, q.rec) {
				continue
			}
			b.dropped[worseOf(p.rec, q.rec)] = true
		}
	}
	b.atEdge = nil
}

func alikeInBrightness(a, b record) bool {
	return math.Abs(magnitude(a.mag())-magnitude(b.mag())) <= samePairMag
}

// worseOf is the one of two records of a star to be left out: the one without motion, or the second.
func worseOf(a, b record) record {
	if !a.hasMotion() && b.hasMotion() {
		return a
	}
	return b
}

// merge goes through all runs at once, in order, and hands over cell by cell.
func (b *Builder) merge(ctx context.Context, w *fileWriter) error {
	var runs runHeap
	for _, path := range b.runs {
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer f.Close()
		r := &runReader{r: bufio.NewReaderSize(f, 1<<18)}
		if ok, err := r.read(); err != nil {
			return err
		} else if ok {
			runs = append(runs, r)
		}
	}
	heap.Init(&runs)
	var cell []record
	for len(runs) > 0 {
		next := runs[0].head
		if len(cell) > 0 && cell[0].cell() != next.cell() {
			if err := w.cell(b.once(cell)); err != nil {
				return err
			}
			cell = cell[:0]
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		if len(cell) == 0 || cell[len(cell)-1] != next || next.bundled() {
			cell = append(cell, next)
		} else {
			w.dropped++
		}
		if ok, err := runs[0].read(); err != nil {
			return err
		} else if ok {
			heap.Fix(&runs, 0)
		} else {
			heap.Pop(&runs)
		}
	}
	if len(cell) > 0 {
		return w.cell(b.once(cell))
	}
	return nil
}

// once leaves out of a cell what is there twice.
func (b *Builder) once(cell []record) (stars []record, dropped int64) {
	order := make([]int32, len(cell))
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(i, j int32) int { return int(cell[i].u() - cell[j].u()) })
	out := make([]bool, len(cell))
	for k, i := range order {
		if b.dropped[cell[i]] {
			out[i] = true
		}
		for _, j := range order[k+1:] {
			if out[i] || cell[j].u()-cell[i].u() > pairSteps {
				break
			}
			if out[j] || cell[i].bundled() || cell[j].bundled() || max(cell[i].v()-cell[j].v(), cell[j].v()-cell[i].v()) > pairSteps || !alikeInBrightness(cell[i], cell[j]) || !samePlaceIn(cell[i], cell[j]) {
				continue
			}
			if worseOf(cell[i], cell[j]) == cell[i] {
				out[i] = true
			} else {
				out[j] = true
			}
		}
	}
	for i, r := range cell {
		if out[i] {
			dropped++
			continue
		}
		stars = append(stars, r)
	}
	return stars, dropped
}

// samePlaceIn tells whether two stars of a cell are as near as one.
func samePlaceIn(a, b record) bool {
	f, step := grid.Frame(a.cell()), grid.Step(1<<placeBits)
	return r3.Norm(r3.Sub(a.direction(&f, step), b.direction(&f, step))) <= samePair.Radians()
}

// runReader reads a run.
type runReader struct {
	r    *bufio.Reader
	head record
}

func (r *runReader) read() (bool, error) {
	var p [16]byte
	if _, err := io.ReadFull(r.r, p[:]); errors.Is(err, io.EOF) {
		return false, nil
	} else if err != nil {
		return false, err
	}
	r.head = record{binary.LittleEndian.Uint64(p[:]), binary.LittleEndian.Uint64(p[8:])}
	return true, nil
}

// runHeap has the run with the first record on top.
type runHeap []*runReader

func (h runHeap) Len() int           { return len(h) }
func (h runHeap) Less(i, j int) bool { return h[i].head.less(h[j].head) }
func (h runHeap) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *runHeap) Push(x any)        { *h = append(*h, x.(*runReader)) }
func (h *runHeap) Pop() any {
	last := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return last
}
