package index

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"time"
	"unsafe"

	"polard/catalogs"
)

// Cached levels. They take tenths of seconds to build, the largest a second or two, on a small computer many, and
// come out the same each time: they are cached in a folder for the next process. What lies there is
// believed only when it was made from this catalogue, by these rules, on this kind of processor, is
// whole (CRC-32C) and holds nothing that a search could stumble over; anything else is built
// anew and written over.
//
// A file is a head (magic, key, lengths), the sections of the level as they lie in
// memory, and the checksum of all before it. Little-endian machines only; others build.

// levelRules is the version of what buildLevel makes of a catalogue: raise it with every change
// there, as TestLevelRules asks.
const levelRules = 3

const cacheMagic = "polardL\n"

// cacheHead is the beginning of a file.
type cacheHead struct {
	Magic                       [8]byte
	Key                         [sha256.Size]byte
	Nodes, Far, Starts, Entries uint64
}

// cacheFar is one of the neighbours that a node has no room for.
type cacheFar struct{ Star, K, ID uint32 }

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// errCache says that a file is not what it should be.
var errCache = errors.New("not a level that can be used")

// cacheKey stands for all that a level is made from.
func cacheKey(cat *catalogs.Catalogue, spec Spec) [sha256.Size]byte {
	return sha256.Sum256(fmt.Appendf(nil, "%x %d %+v %s", cat.Source(), levelRules, spec, runtime.GOARCH))
}

// cached gives the level of a spec from the folder, or builds it and leaves it there. A folder
// that cannot be written costs time and nothing else. The error is the context's.
func cached(ctx context.Context, x *Index, spec Spec) (*Level, error) {
	if x.folder == "" || !littleEndian() {
		return buildLevel(ctx, x.Catalogue, spec)
	}
	key, path := cacheKey(x.Catalogue, spec), filepath.Join(x.folder, spec.fileName())
	if l, err := readLevel(ctx, path, key, spec); err == nil {
		return l, nil
	}
	l, err := buildLevel(ctx, x.Catalogue, spec)
	if err != nil {
		return nil, err
	}
	// Without success the next process builds it again.
	_ = writeLevel(ctx, path, key, l, x.clock())
	return l, nil
}

func littleEndian() bool {
	return binary.NativeEndian.Uint16([]byte{1, 0}) == 1
}

// raw is the memory of a slice of fixed-size values without pointers.
func raw[T any](v []T) []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(v))), len(v)*int(unsafe.Sizeof(*new(T))))
}

// writeLevel writes a level under another name first: readers see all of it or nothing.
func writeLevel(ctx context.Context, path string, key [sha256.Size]byte, l *Level, now time.Time) (err error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	dropUnfinished(path, now)
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+unfinished)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	head := cacheHead{Key: key, Nodes: uint64(len(l.nodes)), Far: uint64(len(l.far)), Starts: uint64(len(l.starts)), Entries: uint64(len(l.entry))}
	copy(head.Magic[:], cacheMagic)
	var first bytes.Buffer
	if err := binary.Write(&first, binary.LittleEndian, head); err != nil {
		return err
	}
	far := make([]cacheFar, 0, len(l.far))
	for k, id := range l.far {
		far = append(far, cacheFar{k.star, uint32(k.k), id})
	}
	sum := crc32.New(castagnoli)
	for _, section := range [][]byte{first.Bytes(), raw(l.nodes), raw(far), raw(l.starts), raw(l.entry)} {
		for piece := range slices.Chunk(section, ioPiece) {
			if err := ctx.Err(); err != nil {
				return err
			}
			sum.Write(piece)
			if _, err := f.Write(piece); err != nil {
				return err
			}
		}
	}
	if err := binary.Write(f, binary.LittleEndian, sum.Sum32()); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

// unfinished marks files that are being written; those older than unfinishedFor were left by
// a process that came to its end.
const (
	unfinished    = ".part-*"
	unfinishedFor = time.Hour
)

func dropUnfinished(path string, now time.Time) {
	parts, _ := filepath.Glob(path + unfinished)
	for _, part := range parts {
		if info, err := os.Stat(part); err == nil && now.Sub(info.ModTime()) > unfinishedFor {
			os.Remove(part)
		}
	}
}

// readLevel reads a level and checks it.
func readLevel(ctx context.Context, path string, key [sha256.Size]byte, spec Spec) (*Level, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	return decodeLevel(ctx, f, info.Size(), key, spec)
}

// decodeLevel reads a level of which size bytes are there.
func decodeLevel(ctx context.Context, r io.Reader, size int64, key [sha256.Size]byte, spec Spec) (*Level, error) {
	sum := crc32.New(castagnoli)
	from := io.TeeReader(r, sum)
	var head cacheHead
	if err := binary.Read(from, binary.LittleEndian, &head); err != nil {
		return nil, err
	}
	if string(head.Magic[:]) != cacheMagic || head.Key != key {
		return nil, errCache
	}
	l := &Level{Spec: spec, bins: newShapeBins(spec), pivotShift: spec.pivotShift()}
	// Lengths are believed only as far as the file is long.
	if size < int64(binary.Size(head))+crc32.Size {
		return nil, errCache
	}
	left := uint64(size) - uint64(binary.Size(head)) - crc32.Size
	for _, section := range []struct{ n, each uint64 }{
		{head.Nodes, uint64(unsafe.Sizeof(node{}))}, {head.Far, uint64(unsafe.Sizeof(cacheFar{}))}, {head.Starts, 4}, {head.Entries, 4},
	} {
		if section.n > left/section.each {
			return nil, errCache
		}
		left -= section.n * section.each
	}
	if left != 0 || head.Nodes == 0 || head.Starts != uint64(l.bins.buckets()+1) {
		return nil, errCache
	}
	far := make([]cacheFar, head.Far)
	l.nodes, l.starts, l.entry = make([]node, head.Nodes), make([]uint32, head.Starts), make([]uint32, head.Entries)
	for _, section := range [][]byte{raw(l.nodes), raw(far), raw(l.starts), raw(l.entry)} {
		if err := readSection(ctx, r, sum, section); err != nil {
			return nil, err
		}
	}
	var stated uint32
	if err := binary.Read(r, binary.LittleEndian, &stated); err != nil {
		return nil, err
	}
	if stated != sum.Sum32() {
		return nil, errCache
	}
	l.far = make(neighbourLists, len(far))
	for _, n := range far {
		if n.K >= mostNeighbours {
			return nil, errCache
		}
		l.far[farNeighbour{n.Star, uint8(n.K)}] = n.ID
	}
	if !sound(ctx, l) {
		return nil, errCache
	}
	return l, nil
}

// ioPiece bytes are read or written, and summed while they are in the processor's cache, before another
// look at the context.
const ioPiece = 1 << 18

// readSection fills a section.
func readSection(ctx context.Context, r io.Reader, sum io.Writer, section []byte) error {
	for piece := range slices.Chunk(section, ioPiece) {
		if err := ctx.Err(); err != nil {
			return err
		}
		if _, err := io.ReadFull(r, piece); err != nil {
			return err
		}
		sum.Write(piece)
	}
	return nil
}

// entriesAtOnce are looked at, a millisecond's work, before another look at the context.
const entriesAtOnce = 1 << 18

// sound tells whether every number of the level names something that is there: what a checksum
// covers may have been written wrongly. When the context ends first, it is not.
func sound(ctx context.Context, l *Level) bool {
	n := int64(len(l.nodes))
	for i := range l.nodes {
		if i%entriesAtOnce == 0 && ctx.Err() != nil {
			return false
		}
		at := &l.nodes[i]
		if !(abs32(at.p) <= 1 && abs32(at.q) <= 1) {
			return false
		}
		for k, d := range at.near {
			switch to := int64(i) + int64(d); {
			case d == noStar:
			case d == farStar:
				if _, ok := l.far[farNeighbour{uint32(i), uint8(k)}]; !ok {
					return false
				}
			case to < 0 || to >= n:
				return false
			}
		}
	}
	for _, id := range l.far {
		if int64(id) >= n {
			return false
		}
	}
	for i := 1; i < len(l.starts); i++ {
		if l.starts[i] < l.starts[i-1] {
			return false
		}
	}
	if l.starts[0] != 0 || uint64(l.starts[len(l.starts)-1]) != uint64(len(l.entry)) || len(l.entry) > math.MaxInt32 {
		return false
	}
	for i, e := range l.entry {
		if i%entriesAtOnce == 0 && ctx.Err() != nil {
			return false
		}
		if int64(e>>l.pivotShift) >= n || int(e&(1<<l.pivotShift-1)/sizeBins) >= l.Spec.triples() {
			return false
		}
	}
	return true
}
