package suite_test

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"coldsection.example/services/suite"
)

// deploy/reference.yaml is what the program says of its settings.
func TestTheReferenceFileIsTrue(t *testing.T) {
	var want, problems bytes.Buffer
	if code := suite.Main([]string{"config", "--reference"}, &want, &problems); code != 0 {
		t.Fatal(&problems)
	}
	got, err := os.ReadFile("../../deploy/reference.yaml")
	if err != nil || !bytes.Equal(got, want.Bytes()) {
		t.Errorf("deploy/reference.yaml is not what 'coldsection config --reference' prints; write it anew (%v)", err)
	}
}

func TestWrongCommandLinesEndWithTwo(t *testing.T) {
	for _, args := range [][]string{{"sing"}, {"serve", "--no-such-flag"}, {"serve", "--config", "/nowhere/settings.yaml"}, {"serve", "--replicas", "many"}} {
		var out, problems bytes.Buffer
		if code := suite.Main(args, &out, &problems); code != 2 || problems.Len() == 0 {
			t.Errorf("%v: code %d, %q", args, code, &problems)
		}
	}
}

// A key leaves this machine over TLS only, and an address of another kind is told from one of another machine.
func TestWhereTheVerbsMayCall(t *testing.T) {
	t.Setenv("COLDSECTION_REMOTE_KEY", "csk_key")
	for server, want := range map[string]string{
		"http://127.0.0.1:8080": "host:port", "127.0.0.1": "host:port", "127.0.0.1:8081/v1": "host:port",
		"192.0.2.7:8081": "add --tls", "coldsection.example:8081": "add --tls",
	} {
		var out, problems bytes.Buffer
		if code := suite.Main([]string{"engines", "--server", server}, &out, &problems); code == 0 || !strings.Contains(problems.String(), want) {
			t.Errorf("%s: code %d, %q", server, code, &problems)
		}
	}
}
