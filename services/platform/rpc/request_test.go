package rpc_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// What a call is made for is named to all who work on it: the handler, the log of a refusal, of an error and of a panic.
func TestTheLogNamesTheRequest(t *testing.T) {
	for what, failure := range map[string]error{"refused": fault.Missing("items/a"), "failed": errors.New("the disk is away"), "panicked": nil} {
		heard := ""
		get := func(ctx context.Context) (*consumablesv1.Item, error) {
			if heard = rpc.RequestIDOf(ctx); failure == nil {
				panic("the store is gone")
			}
			return nil, failure
		}
		for where, f := range map[string]fixture{"memory": serve(t, get), "network": serve(t, get).overNetwork(t)} {
			ctx, items := f.items(t, "stores")
			_, err := items.GetItem(rpc.WithRequestID(ctx, "erp-17"), &consumablesv1.GetItemRequest{Name: "items/a"})
			if err == nil || heard != "erp-17" || !strings.Contains(f.log.String(), "request_id=erp-17") {
				t.Errorf("%s in %s: %v, the handler heard %q, the log %s", what, where, err, heard, f.log)
			}
		}
	}
}

// An id that a caller chose is short and of visible ASCII, so that it can't end a line of a log or a header.
func TestOnlyGoodRequestIDsAreTakenOver(t *testing.T) {
	for id, want := range map[string]bool{
		"erp-17": true, "~!{}\"": true, strings.Repeat("x", 128): true, strings.Repeat("x", 129): false, "": false,
		"a b": false, "a\nb": false, "a\x00": false, "a\x7f": false, "é": false, "\xff": false,
	} {
		if rpc.GoodRequestID(id) != want {
			t.Errorf("%q is good: %v", id, !want)
		}
		var heard string
		f := serve(t, func(ctx context.Context) (*consumablesv1.Item, error) {
			heard = rpc.RequestIDOf(ctx)
			return item()
		})
		ctx, items := f.items(t, "stores")
		_, err := items.GetItem(rpc.WithRequestID(ctx, id), &consumablesv1.GetItemRequest{Name: "items/a"})
		if err != nil || (heard == id) != want || heard == "" {
			t.Errorf("%q: heard %q, %v", id, heard, err)
		}
	}
}
