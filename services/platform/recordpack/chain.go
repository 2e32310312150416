package recordpack

import (
	"coldsection.example/services/platform/recordchain"
)

// Chains are entries of record chains, and how far each chain had come.
type Chains struct {
	Entries []recordchain.Proof `json:"entries"` // by stream and position
	Heads   []Head              `json:"heads"`
}

// Head is the last entry of a chain that was known.
type Head struct {
	Stream   string `json:"stream"`
	Position int64  `json:"position"`
	Hash     string `json:"hash"`
}

// chain recomputes every entry, and the steps between those that follow each other.
func (r *Report) chain(content []byte) {
	if content == nil {
		return
	}
	c, err := read[Chains](content)
	if err != nil {
		r.fault(ChainFile, "it can't be read: %v", err)
		return
	}
	r.Entries = len(c.Entries)
	heads := map[string]Head{}
	for _, h := range c.Heads {
		heads[h.Stream] = h
	}
	for i, e := range c.Entries {
		if err := e.Check(); err != nil {
			r.fault(ChainFile, "%s %d: %v", e.Stream, e.Position, err)
			continue
		}
		if i > 0 && c.Entries[i-1].Stream == e.Stream && c.Entries[i-1].Position >= e.Position {
			r.fault(ChainFile, "%s %d: it does not stand behind the one before", e.Stream, e.Position)
		}
		if i > 0 && c.Entries[i-1].Stream == e.Stream && c.Entries[i-1].Position+1 == e.Position && c.Entries[i-1].Hash != e.Previous {
			r.fault(ChainFile, "%s %d: it does not follow from the entry before", e.Stream, e.Position)
		}
		switch h := heads[e.Stream]; {
		case e.Position > h.Position:
			r.fault(ChainFile, "%s %d: the chain ends at %d", e.Stream, e.Position, h.Position)
		case e.Position == h.Position && e.Hash != h.Hash:
			r.fault(ChainFile, "%s %d: the chain ends with another hash", e.Stream, e.Position)
		}
	}
}
