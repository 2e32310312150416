package webhooks

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// The scheme is that of the public specification "Standard Webhooks", symmetric signatures: a secret of 24 to 64 random
// bytes, written as whsec_ and base64, and HMAC-SHA256 over "id.timestamp.body".
const (
	secretPrefix    = "whsec_"
	secretSize      = 32
	headerID        = "Webhook-Id"
	headerTimestamp = "Webhook-Timestamp"
	headerSignature = "Webhook-Signature"
)

// newSecret makes the bytes of a signing secret.
func newSecret() []byte {
	secret := make([]byte, secretSize)
	_, _ = rand.Read(secret)
	return secret
}

// written is a secret as its receiver is told it.
func written(secret []byte) string { return secretPrefix + base64.StdEncoding.EncodeToString(secret) }

// sign sets the headers of one attempt, with a signature by each secret.
func sign(h http.Header, id string, at time.Time, body []byte, secrets ...[]byte) {
	timestamp := strconv.FormatInt(at.Unix(), 10)
	var signatures []string
	for _, secret := range secrets {
		mac := hmac.New(sha256.New, secret)
		mac.Write([]byte(id + "." + timestamp + "."))
		mac.Write(body)
		signatures = append(signatures, "v1,"+base64.StdEncoding.EncodeToString(mac.Sum(nil)))
	}
	h.Set(headerID, id)
	h.Set(headerTimestamp, timestamp)
	h.Set(headerSignature, strings.Join(signatures, " "))
}
