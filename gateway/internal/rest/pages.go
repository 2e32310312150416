package rest

import (
	_ "embed"
	"html/template"
	"net/http"
	"strings"

	"coldsection.example/services/platform/rpc"
)

// reasons has a line for each reason of a refusal: the reason, its code and its sentences, with tabs between; "…" stands for
// what an answer names. It is made from the source by the package's test, which fails when a reason is missing.
//
//go:embed reasons.txt
var reasons string

// page is what there is to say about one reason.
type page struct {
	Title, Reason, Code, Next string
	Status                    int
	Sentences                 []string
}

// nextMoves say, for each code, what a caller can do.
var nextMoves = map[string]string{
	"INTERNAL":            "Nothing half done was kept. Send the request again; report it with its time if it stays.",
	"INVALID_ARGUMENT":    "Correct the fields that the answer's violations name, and send the request again. As it is it will never pass.",
	"FAILED_PRECONDITION": "The request is well formed, but the state of things does not allow it now. Change what the detail names, then repeat it.",
	"NOT_FOUND":           "Check the name or path, or list the collection.", "ALREADY_EXISTS": "Use another id, or change what is there.",
	"ABORTED":           "Read the resource again and repeat the change on its new version.",
	"PERMISSION_DENIED": "Ask somebody who has the role, or an administrator for it. The refusal is in the audit.",
	"UNAUTHENTICATED":   "Sign in, or send a valid API key.", "RESOURCE_EXHAUSTED": "Send less, or wait as long as Retry-After says.",
	"UNAVAILABLE":       "Nothing was changed. Send the same request again, with the same idempotency key, a little later.",
	"DEADLINE_EXCEEDED": "What was asked for may have happened. Send the same request again, with the same idempotency key and more time.",
	"CANCELED":          "What was asked for may have happened. Send the same request again, with the same idempotency key.",
	"OUT_OF_RANGE":      "Go on from where the detail says.",
	"UNIMPLEMENTED":     "This is not served. See the API's description.",
}

var pageTemplate = template.Must(template.New("page").Parse(`<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{{.Title}}</title>
<h1>{{.Title}}</h1>
<p>Reason <code>{{.Reason}}</code>, gRPC code <code>{{.Code}}</code>, HTTP status {{.Status}}.</p>
{{range .Sentences}}<blockquote>{{.}}</blockquote>
{{end}}<p>{{.Next}}</p>
</html>
`))

// Pages serves /problems/{reason}, to which the type of every problem points, to anybody.
func Pages() http.Handler {
	pages := readPages(reasons)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p, ok := pages[strings.TrimPrefix(r.URL.Path, "/problems/")]
		if !ok {
			http.Error(w, "There is no such reason. The type of a problem is the address of its page.", http.StatusNotFound)
			return
		}
		h := w.Header()
		h.Set("Content-Type", "text/html; charset=utf-8")
		h.Set("Content-Security-Policy", "default-src 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		_ = pageTemplate.Execute(w, p) // a reader who left needs no page
	})
}

// readPages reads the list of reasons; the key is the last part of a page's address.
func readPages(text string) map[string]page {
	out := map[string]page{}
	for line := range strings.Lines(text) {
		fields := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(fields) < 2 {
			continue
		}
		p := page{Title: titleOf(fields[0]), Reason: fields[0], Code: fields[1], Next: nextMoves[fields[1]], Sentences: fields[2:]}
		for category, status := range httpStatus {
			if rpc.CodeName(category) == p.Code {
				p.Status = status
			}
		}
		if own, ok := ownStatus[p.Reason]; ok {
			p.Status = own
		}
		out[slug(p.Reason)] = p
	}
	return out
}

// slug is a reason as it stands in an address: "lot-expired".
func slug(reason string) string { return strings.ToLower(strings.ReplaceAll(reason, "_", "-")) }
