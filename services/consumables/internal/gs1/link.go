package gs1

import (
	"maps"
	"net/url"
	"slices"
	"strings"

	"coldsection.example/services/platform/fault"
)

// ParseLink reads a GS1 Digital Link address (GS1 Digital Link: URI syntax): a key in the path, its qualifiers in their
// order behind it, attributes in the query. Query names that are not all digits are not GS1's and are left out. Reasons as
// for Parse, and GS1_LINK_INVALID.
func ParseLink(address string) (Message, error) {
	u, err := url.Parse(address)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" {
		return Message{}, noLink(address)
	}
	segments := strings.Split(strings.Trim(u.EscapedPath(), "/"), "/")
	at := keyAt(segments)
	if at < 0 {
		return Message{}, noLink(address)
	}
	var m Message
	if err := m.addPath(address, segments[at:]); err != nil {
		return Message{}, err
	}
	query, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return Message{}, noLink(address)
	}
	return m.addQuery(address, query)
}

func noLink(address string) error {
	return fault.Invalid("code", "GS1_LINK_INVALID",
		"%.120q is not a GS1 Digital Link: a key such as /01/ with its number, then qualifiers in order. Scan the other code on the thing.", address)
}

// keyAt finds the key from the right, because what stands before it is free.
func keyAt(segments []string) int {
	for i := len(segments) - 2; i >= 0; i-- {
		if (len(segments)-i)%2 == 0 && byAI[segments[i]].key {
			return i
		}
	}
	return -1
}

func (m *Message) addPath(address string, segments []string) error {
	key := byAI[segments[0]]
	var qualifiers []string
	for i := 0; i < len(segments); i += 2 {
		row, known := byAI[segments[i]]
		value, err := url.PathUnescape(segments[i+1])
		if err != nil || !known {
			return noLink(address)
		}
		if i > 0 {
			qualifiers = append(qualifiers, row.ai)
		}
		if err := m.add(row, fullLength(row, value)); err != nil {
			return err
		}
	}
	if !slices.ContainsFunc(key.qualifiers, func(order []string) bool { return inOrder(qualifiers, order) }) && len(qualifiers) > 0 {
		return noLink(address)
	}
	return nil
}

// fullLength pads a short trade item number, which a link may carry.
func fullLength(row identifier, value string) string {
	if padded, ok := GTIN14(value); ok && row.ai == "01" {
		return padded
	}
	return value
}

// inOrder says whether all of some are in an order, in that order.
func inOrder(some, order []string) bool {
	at := 0
	for _, s := range some {
		i := slices.Index(order[at:], s)
		if i < 0 {
			return false
		}
		at += i + 1
	}
	return true
}

func (m *Message) addQuery(address string, query url.Values) (Message, error) {
	for _, ai := range slices.Sorted(maps.Keys(query)) {
		if strings.Trim(ai, digits) != "" {
			continue
		}
		row, known := byAI[ai]
		if !known || !row.attribute || len(query[ai]) != 1 {
			return Message{}, noLink(address)
		}
		if err := m.add(row, query[ai][0]); err != nil {
			return Message{}, err
		}
	}
	return m.whole()
}

// Link is the message as a GS1 Digital Link below a base address. Reason: GS1_LINK_INVALID when it has no key.
func (m Message) Link(base string) (string, error) {
	at := slices.IndexFunc(m.Elements, func(e Element) bool { return byAI[e.AI].key })
	if at < 0 {
		return "", fault.Invalid("code", "GS1_LINK_INVALID", "%s has no key that a GS1 Digital Link could begin with. Add one, such as (01).", m.Text())
	}
	path := m.path(m.Elements[at])
	link := strings.TrimRight(base, "/")
	attributes := url.Values{}
	for _, e := range path {
		link = link + "/" + e.AI + "/" + url.PathEscape(e.Value)
	}
	for _, e := range m.Elements {
		if !slices.Contains(path, e) {
			attributes.Set(e.AI, e.Value)
		}
	}
	if len(attributes) > 0 {
		link += "?" + attributes.Encode()
	}
	return link, nil
}

// path is the key and its qualifiers in their order, of the first order that the message has any of.
func (m Message) path(key Element) []Element {
	path := []Element{key}
	for _, order := range byAI[key.AI].qualifiers {
		for _, ai := range order {
			if v := m.Value(ai); v != "" {
				path = append(path, Element{AI: ai, Value: v})
			}
		}
		if len(path) > 1 {
			break
		}
	}
	return path
}
