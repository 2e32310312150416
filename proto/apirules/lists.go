package apirules

import "google.golang.org/protobuf/reflect/protoreflect"

func listRules() []Rule {
	return []Rule{
		{"core::0132::request-field-types", "filter and order_by are strings and show_deleted is a bool.", listFieldTypes},
		{"core::0132::request-show-deleted-required", "List requests have show_deleted where the resource can be undeleted.", showDeleted},
		{"core::0132::request-unknown-fields", "List requests have no fields but the standard ones.", listUnknownFields},
		{"core::0132::response-message-name", "List methods return a message of their own name.", listResponseName},
		{"core::0158::request-page-size-field", "List requests have an int32 page_size.", listField("page_size", protoreflect.Int32Kind)},
		{"core::0158::request-page-token-field", "List requests have a string page_token.", listField("page_token", protoreflect.StringKind)},
		{"core::0158::response-next-page-token-field", "List responses have a string next_page_token.", nextPageToken},
		{"core::0158::response-repeated-first-field", "The first field of a list response is the repeated resources.", repeatedFirst},
		{"core::0160::filter-field-name", "A filter is called filter and nothing else.", filterName},
	}
}

// lists calls fn for every unary List method of the contract.
func (c *contract) lists(fn func(m protoreflect.MethodDescriptor, noun string)) {
	for _, m := range c.methods {
		if noun := subject(m, "List"); noun != "" && !streaming(m) {
			fn(m, noun)
		}
	}
}

func listFieldTypes(r *run) {
	want := map[string]protoreflect.Kind{
		"filter": protoreflect.StringKind, "order_by": protoreflect.StringKind, "show_deleted": protoreflect.BoolKind,
	}
	r.lists(func(m protoreflect.MethodDescriptor, _ string) {
		for name, kind := range want {
			if f := field(m.Input(), name); f != nil && (f.Kind() != kind || f.IsList()) {
				r.reportf(f, "is not one %s; make it one", kind)
			}
		}
	})
}

func showDeleted(r *run) {
	undeleted := map[string]bool{}
	for _, m := range r.methods {
		if noun := subject(m, "Undelete"); noun != "" {
			undeleted[noun] = true
		}
	}
	r.lists(func(m protoreflect.MethodDescriptor, _ string) {
		item := firstField(m.Output())
		if item == nil || item.Message() == nil || !undeleted[string(item.Message().Name())] {
			return
		}
		if field(m.Input(), "show_deleted") == nil {
			r.reportf(m.Input(), "has no show_deleted although %s can be undeleted; add it", item.Message().Name())
		}
	})
}

func listUnknownFields(r *run) {
	known := set("parent", "page_size", "page_token", "filter", "order_by", "show_deleted", "view", "skip", "return_partial_success")
	r.lists(func(m protoreflect.MethodDescriptor, _ string) {
		for i := range m.Input().Fields().Len() {
			if f := m.Input().Fields().Get(i); !known[string(f.Name())] {
				r.reportf(f, "is no standard field of a list request; make it part of the filter")
			}
		}
	})
}

func listResponseName(r *run) {
	r.lists(func(m protoreflect.MethodDescriptor, _ string) {
		if want := m.Name() + "Response"; m.Output().Name() != want {
			r.reportf(m, "returns %s; return %s", m.Output().Name(), want)
		}
	})
}

func listField(name string, kind protoreflect.Kind) func(*run) {
	return func(r *run) {
		r.lists(func(m protoreflect.MethodDescriptor, _ string) {
			f := field(m.Input(), name)
			if f == nil || f.Kind() != kind || f.IsList() {
				r.reportf(m.Input(), "has no %s %s; a list is paged from its first day", kind, name)
			}
		})
	}
}

func nextPageToken(r *run) {
	r.lists(func(m protoreflect.MethodDescriptor, _ string) {
		f := field(m.Output(), "next_page_token")
		if f == nil || !isString(f) {
			r.reportf(m.Output(), "has no string next_page_token; add it")
		}
	})
}

func repeatedFirst(r *run) {
	r.lists(func(m protoreflect.MethodDescriptor, _ string) {
		f := firstField(m.Output())
		if f == nil || !f.IsList() || f.Number() != 1 {
			r.reportf(m.Output(), "does not start with the repeated resources as field 1")
		}
	})
}

func firstField(m protoreflect.MessageDescriptor) protoreflect.FieldDescriptor {
	if m.Fields().Len() == 0 {
		return nil
	}
	return m.Fields().Get(0)
}

func filterName(r *run) {
	wrong := set("filters", "query_filter", "filter_expression", "filter_string", "where", "predicate")
	for _, m := range r.requests() {
		for i := range m.Fields().Len() {
			if f := m.Fields().Get(i); wrong[string(f.Name())] {
				r.reportf(f, "call it filter")
			}
		}
	}
}

func set(names ...string) map[string]bool {
	s := make(map[string]bool, len(names))
	for _, n := range names {
		s[n] = true
	}
	return s
}
