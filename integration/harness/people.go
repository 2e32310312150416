package harness

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"testing"

	"google.golang.org/grpc/metadata"

	"coldsection.example/services/suite/story"
)

// Person is somebody of the story who signed in.
type Person struct {
	t     testing.TB
	stage *Stage

	Token string
}

// SignIn signs somebody in whom the story hired, over REST.
func (s *Stage) SignIn(t testing.TB, login string) *Person {
	t.Helper()
	p := s.Stranger(t)
	answer := p.REST("POST", "/v1/sessions:signIn", map[string]any{"login": login, "password": story.Password})
	token, _ := answer.Body["token"].(string)
	if token == "" {
		t.Fatalf("%s can't sign in: %d %v", login, answer.Status, answer.Body)
	}
	p.Token = token
	return p
}

// Stranger is somebody who did not sign in.
func (s *Stage) Stranger(t testing.TB) *Person { return &Person{t: t, stage: s} }

// Context carries the person's session to gRPC.
func (p *Person) Context() context.Context {
	if p.Token == "" {
		return p.t.Context()
	}
	return metadata.AppendToOutgoingContext(p.t.Context(), "authorization", "Bearer "+p.Token)
}

// Answer is what REST said.
type Answer struct {
	Status int
	Body   map[string]any
	Header http.Header
}

// Reason is the reason of a refusal, "" for a success.
func (a Answer) Reason() string {
	reason, _ := a.Body["reason"].(string)
	return reason
}

// REST calls the first gateway; body is a JSON text, any other value is written as JSON, nil sends none. Pairs of strings
// are further headers.
func (p *Person) REST(method, path string, body any, headers ...string) Answer {
	p.t.Helper()
	text, ok := body.(string)
	if !ok && body != nil {
		made, err := json.Marshal(body)
		if err != nil {
			p.t.Fatal(err)
		}
		text = string(made)
	}
	req, err := http.NewRequestWithContext(p.t.Context(), method, p.stage.URL(path), bytes.NewReader([]byte(text)))
	if err != nil {
		p.t.Fatal(err)
	}
	if text != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	if p.Token != "" {
		req.Header.Set("Authorization", "Bearer "+p.Token)
	}
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	return p.send(req, []byte(text))
}

func (p *Person) send(req *http.Request, body []byte) Answer {
	p.t.Helper()
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	if p.stage.Heard != nil {
		p.stage.Heard(Exchange{Request: req, RequestBody: body, Response: resp, ResponseBody: text})
	}
	answer := Answer{Status: resp.StatusCode, Header: resp.Header, Body: map[string]any{}}
	if err := json.Unmarshal(text, &answer.Body); err != nil {
		p.t.Fatalf("%s %s: %q is no JSON object: %v", req.Method, req.URL.Path, text, err)
	}
	return answer
}
