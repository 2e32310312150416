package auth

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Cost of a password hash: argon2id as RFC 9106 section 4 recommends second, for machines with little memory.
const (
	argonTime    = 3
	argonMemory  = 64 * 1024 // KiB
	argonThreads = 1
	saltLength   = 16
	keyLength    = 32
)

// HashPassword returns a salted argon2id hash that carries its parameters.
func HashPassword(password string) string {
	salt := make([]byte, saltLength)
	_, _ = rand.Read(salt)
	key := argon2.IDKey([]byte(password), salt, argonTime, argonMemory, argonThreads, keyLength)
	return fmt.Sprintf("argon2id$%d$%d$%d$%s$%s", argonTime, argonMemory, argonThreads,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key))
}

// CheckPassword reports whether the password has this hash. An unreadable hash matches nothing, in the same time.
func CheckPassword(password, hash string) bool {
	time, memory, threads := uint32(argonTime), uint32(argonMemory), uint8(argonThreads)
	salt, want := make([]byte, saltLength), make([]byte, keyLength)
	readable := false
	if parts := strings.Split(hash, "$"); len(parts) == 6 && parts[0] == "argon2id" {
		_, err := fmt.Sscanf(strings.Join(parts[1:4], " "), "%d %d %d", &time, &memory, &threads)
		s, saltErr := base64.RawStdEncoding.DecodeString(parts[4])
		w, keyErr := base64.RawStdEncoding.DecodeString(parts[5])
		if err == nil && saltErr == nil && keyErr == nil && len(w) == keyLength {
			salt, want, readable = s, w, true
		}
	}
	got := argon2.IDKey([]byte(password), salt, time, memory, threads, keyLength)
	return subtle.ConstantTimeCompare(got, want) == 1 && readable
}

// NewSecret makes a random secret with a prefix that says what it is for.
func NewSecret(prefix string) string {
	raw := make([]byte, 32)
	_, _ = rand.Read(raw)
	return prefix + base64.RawURLEncoding.EncodeToString(raw)
}

// HashSecret is how a random secret is kept: a plain SHA-256 is enough for 32 random bytes.
func HashSecret(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}
