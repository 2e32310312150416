package suite_test

import (
	"bytes"
	"os"
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
