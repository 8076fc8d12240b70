package deep

import (
	"bufio"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"os"
	"path/filepath"
)

// fileWriter writes the stars to a file of their own, then head and stars together.
type fileWriter struct {
	path    string
	f       *os.File
	w       *bufio.Writer
	err     error
	sum     uint32
	stars   uint32
	dropped int64
	first   []uint32
	depths  []byte
}

func newFileWriter(folder string) *fileWriter {
	w := &fileWriter{path: filepath.Join(folder, "catalogue"), first: make([]uint32, cellCount+1), depths: make([]byte, cellCount)}
	if w.f, w.err = os.OpenFile(filepath.Join(folder, "stars"), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600); w.err == nil {
		w.w = bufio.NewWriterSize(w.f, 1<<20)
	}
	return w
}

func (w *fileWriter) close() error {
	if w.f == nil {
		return nil
	}
	return w.f.Close()
}

// cell writes the stars of a cell; first holds, until the end, how many each cell has.
func (w *fileWriter) cell(stars []record, dropped int64) error {
	w.dropped += dropped
	if w.err != nil || len(stars) == 0 {
		return w.err
	}
	if uint64(w.stars)+uint64(len(stars)) > math.MaxInt32 {
		return fmt.Errorf("more than %d stars do not fit: leave out the faintest", math.MaxInt32)
	}
	cell := stars[0].cell()
	var p [recordSize]byte
	for _, r := range stars {
		r.put(p[:])
		w.sum = crc32.Update(w.sum, castagnoli, p[:])
		if _, w.err = w.w.Write(p[:]); w.err != nil {
			return w.err
		}
		if !r.bundled() {
			w.depths[cell] = depthCode(magnitude(r.mag())) // they go from bright to faint
		}
	}
	w.stars += uint32(len(stars))
	w.first[cell+1] = uint32(len(stars))
	return nil
}

// finish puts the file in its place, whole and on the disk.
func (w *fileWriter) finish(path string, sources []Source, bundled [32]byte) (err error) {
	defer func() { err = errors.Join(err, w.close()) }()
	if w.err != nil {
		return w.err
	}
	if err := w.w.Flush(); err != nil {
		return err
	}
	if _, err := w.f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	for i := range cellCount {
		w.first[i+1] += w.first[i]
	}
	top, err := head(sources, w.stars, w.sum, bundled, w.depths, w.first)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(w.path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err1 := f.Write(top)
	_, err2 := io.Copy(f, w.f)
	if err := errors.Join(err1, err2, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(w.path, path)
}
