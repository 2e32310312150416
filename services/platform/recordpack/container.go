package recordpack

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
)

// Values of the ZIP format (.ZIP File Format Specification, sections 4.3.7, 4.3.12 and 4.3.16). The archive is written here and not
// by a library, because a pack made today is written anew, byte by byte, by whoever checks it years later.
const (
	localHeader   = 0x04034b50
	centralHeader = 0x02014b50
	endRecord     = 0x06054b50
	version       = 20        // files without compression need no more
	firstDay      = 1<<5 | 1  // 1 January 1980: the same for every file, as packs don't tell when they were made
	maxSize       = 1<<31 - 1 // bytes; larger archives need another layout
	maxFiles      = 1<<15 - 1
)

// contain writes files into an archive, in their order.
func contain(w io.Writer, files []File) error {
	if len(files) > maxFiles {
		return errors.New("recordpack: there are too many files")
	}
	var directory []byte
	at := 0
	for _, f := range files {
		is := f.sums()
		if is.bytes > maxSize-at || len(f.Path) > math.MaxUint8 {
			return errors.New("recordpack: the pack is too large")
		}
		head := append(common(binary.LittleEndian.AppendUint32(nil, localHeader), f.Path, is), f.Path...)
		if _, err := w.Write(head); err != nil {
			return err
		}
		if err := f.writeTo(w); err != nil {
			return err
		}
		directory = binary.LittleEndian.AppendUint32(directory, centralHeader)
		directory = binary.LittleEndian.AppendUint16(directory, version)
		directory = append(common(directory, f.Path, is), make([]byte, 10)...) // no comment, first disk, no attributes
		directory = append(binary.LittleEndian.AppendUint32(directory, uint32(at)), f.Path...)
		at += len(head) + is.bytes
	}
	_, err := w.Write(append(directory, end(len(files), len(directory), at)...))
	return err
}

// end is the record at the end of an archive: how many files its directory names, how long that is, and where it begins.
func end(files, directory, at int) []byte {
	out := append(binary.LittleEndian.AppendUint32(nil, endRecord), 0, 0, 0, 0)
	out = binary.LittleEndian.AppendUint16(binary.LittleEndian.AppendUint16(out, uint16(files)), uint16(files))
	return append(binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(out, uint32(directory)), uint32(at)), 0, 0)
}

// common are the fields that both headers of a file have.
func common(out []byte, path string, is sums) []byte {
	for _, v := range []uint16{version, 0, 0, 0, firstDay} { // no flags, no compression, midnight
		out = binary.LittleEndian.AppendUint16(out, v)
	}
	for _, v := range []uint32{is.crc, uint32(is.bytes), uint32(is.bytes)} {
		out = binary.LittleEndian.AppendUint32(out, v)
	}
	return binary.LittleEndian.AppendUint16(binary.LittleEndian.AppendUint16(out, uint16(len(path))), 0)
}
