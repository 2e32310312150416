package server_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"runtime"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// inParts reads a pack in parts of so many bytes.
func (w *world) inParts(name string, size int32) (content []byte) {
	w.t.Helper()
	for offset, more := int64(0), true; more; more = offset > 0 {
		part := must(w.packs.DownloadRecordPack(w.as("quality"), &compliancev1.DownloadRecordPackRequest{Name: name, Offset: offset, MaxBytes: size}))(w.t)
		if len(part.GetContent()) > int(size) || len(part.GetContent()) == 0 || part.GetTotalBytes() == 0 {
			w.t.Fatalf("%d bytes at %d of %d", len(part.GetContent()), offset, part.GetTotalBytes())
		}
		content, offset = append(content, part.GetContent()...), part.GetNextOffset()
	}
	return content
}

// filed keeps a pack of so many bytes, as if it had been made, and returns its hash.
func (w *world) filed(id string, size int) string {
	w.t.Helper()
	sum, block := sha256.New(), make([]byte, 1<<18-5) // no part begins where a block does
	w.fact(func(ctx context.Context, tx *storage.Tx) error {
		parts := store.NewPackParts(ctx, tx, "recordPacks/"+id)
		for at := 0; at < size; at += len(block) {
			for i := range block {
				block[i] = byte((at + i) * 31 >> 4)
			}
			some := block[:min(len(block), size-at)]
			_, _ = sum.Write(some)
			if _, err := parts.Write(some); err != nil {
				return err
			}
		}
		if err := parts.Close(); err != nil {
			return err
		}
		return store.RecordPacks.Insert(ctx, tx, &compliancev1.RecordPack{
			Name: "recordPacks/" + id, Subject: "engines/one", Number: "RP-" + id, ByteCount: int64(size), Sha256: hex.EncodeToString(sum.Sum(nil)),
		}, w.clock.Now())
	})
	return hex.EncodeToString(sum.Sum(nil))
}

// A pack that no answer could carry is given out in parts, and neither side holds more than some of them.
func TestALargePackIsGivenOutInParts(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		const size = 40<<20 + 1
		want := w.filed("large", size)
		ask := func(offset int64, most int32) (*compliancev1.DownloadRecordPackResponse, error) {
			return w.packs.DownloadRecordPack(w.as("quality"), &compliancev1.DownloadRecordPackRequest{Name: "recordPacks/large", Offset: offset, MaxBytes: most})
		}
		_, err := ask(0, 0)
		refused(t, err, "PACK_TOO_LARGE")
		_, err = ask(size, 1<<20)
		refused(t, err, "OFFSET_BEYOND_END")
		before, most, sum := live(), uint64(0), sha256.New()
		for offset, parts := int64(0), 0; parts == 0 || offset > 0; parts++ {
			part := must(ask(offset, 1<<20))(t)
			_, _ = sum.Write(part.GetContent())
			if offset = part.GetNextOffset(); parts%8 == 0 {
				most = max(most, live())
			}
		}
		if got := hex.EncodeToString(sum.Sum(nil)); got != want {
			t.Errorf("the parts are not the pack: %s, want %s", got, want)
		}
		if most > before+16<<20 {
			t.Errorf("%d MiB are held more than before", (most-before)>>20)
		}
	})
}

// live is what is in use after everything else was given back.
func live() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// A pack from before packs were kept in parts is given out whole and in parts.
func TestAPackFromBeforeThereWerePartsIsGivenOut(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.filed("old", 100_000)
		old := w.inParts("recordPacks/old", 30_000)
		w.exec("DELETE FROM record_pack_parts")
		w.exec("INSERT INTO record_pack_files (name, content) VALUES ($1, $2)", "recordPacks/old", old)
		whole := must(w.packs.DownloadRecordPack(w.as("quality"), &compliancev1.DownloadRecordPackRequest{Name: "recordPacks/old"}))(t)
		if !bytes.Equal(whole.GetContent(), old) || !bytes.Equal(w.inParts("recordPacks/old", 30_000), old) {
			t.Error("it is not what was kept")
		}
	})
}
