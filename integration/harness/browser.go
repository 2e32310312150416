package harness

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// Environment variables: the browser's program, and a folder to keep pictures of pages in.
const (
	ChromiumEnv = "COLDSECTION_TEST_CHROMIUM"
	PicturesEnv = "COLDSECTION_TEST_PICTURES"
)

// stepLimit bounds what a page may take to answer a step.
const stepLimit = 20 * time.Second

// Browser is a tab of a real browser.
type Browser struct {
	t   testing.TB
	ctx context.Context //nolint:containedctx // chromedp knows its tab by its context
}

// OpenBrowser starts the browser with an empty profile; a machine without one fails the test.
func OpenBrowser(t testing.TB, width, height int64) *Browser {
	t.Helper()
	program := os.Getenv(ChromiumEnv)
	if program == "" {
		t.Fatalf("no browser: set %s to Chromium's program, as integration/test.sh does", ChromiumEnv)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program), chromedp.NoSandbox, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-gpu", true))
	alloc, stop := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(alloc)
	t.Cleanup(end)
	b := &Browser{t: t, ctx: ctx}
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, height)); err != nil {
		t.Fatal(err)
	}
	return b
}

// Do runs steps in the tab.
func (b *Browser) Do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, stepLimit)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.Picture("failed")
		b.t.Fatal(err)
	}
}

// Text is what a person reads in an element.
func (b *Browser) Text(selector string) string {
	b.t.Helper()
	return Value(b, chromedp.Text(chromedp.CSS(selector)))
}

// Value runs a step that gives a value.
func Value[T any](b *Browser, step chromedp.Action[T]) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, stepLimit)
	defer cancel()
	value, err := chromedp.Run(ctx, step)
	if err != nil {
		b.Picture("failed")
		b.t.Fatal(err)
	}
	return value
}

// Picture keeps a picture of the whole page when COLDSECTION_TEST_PICTURES names a folder.
func (b *Browser) Picture(name string) {
	b.t.Helper()
	folder := os.Getenv(PicturesEnv)
	if folder == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, stepLimit)
	defer cancel()
	picture, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Error(err)
		return
	}
	if err := os.WriteFile(filepath.Join(folder, name+".png"), picture, 0o600); err != nil {
		b.t.Error(err)
	}
}

// Network takes the tab's network away, or gives it back, as the browser's own tools for developers do: every request fails, and the page is
// told that it is offline.
func (b *Browser) Network(there bool) {
	b.t.Helper()
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		if _, err := cdp.Call(ctx, t, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
			MatchedNetworkConditions: []*network.Conditions{{DownloadThroughput: -1, UploadThroughput: -1, Offline: !there}},
		}); err != nil {
			return err
		}
		_, err := cdp.Call(ctx, t, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: !there, DownloadThroughput: -1, UploadThroughput: -1})
		return err
	}))
}
