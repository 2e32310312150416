package auth

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"errors"
)

// errSealed is a sealed secret that no key of this installation opens.
var errSealed = errors.New("the secret was sealed with another internal secret; make a new one")

// Seal encrypts a secret that must be read again, such as a signing key, so that a copy of the database does not give it
// away (AES-256-GCM under a key derived by HKDF, RFC 5869). The purpose keeps secrets of different kinds apart.
func (k *Keys) Seal(purpose string, secret []byte) ([]byte, error) {
	box, err := boxOf(k.all()[0], purpose)
	if err != nil {
		return nil, err
	}
	nonce := make([]byte, box.NonceSize(), box.NonceSize()+len(secret)+box.Overhead())
	_, _ = rand.Read(nonce)
	return box.Seal(nonce, nonce, secret, nil), nil
}

// Unseal reads what Seal wrote, also under an internal secret that is being replaced.
func (k *Keys) Unseal(purpose string, sealed []byte) ([]byte, error) {
	for _, secret := range k.all() {
		box, err := boxOf(secret, purpose)
		if err != nil {
			return nil, err
		}
		if len(sealed) < box.NonceSize() {
			break
		}
		if plain, err := box.Open(nil, sealed[:box.NonceSize()], sealed[box.NonceSize():], nil); err == nil {
			return plain, nil
		}
	}
	return nil, errSealed
}

// Reseal seals anew, under the first internal secret, what Seal wrote under any.
func (k *Keys) Reseal(purpose string, sealed []byte) ([]byte, error) {
	plain, err := k.Unseal(purpose, sealed)
	if err != nil {
		return nil, err
	}
	return k.Seal(purpose, plain)
}

func boxOf(secret []byte, purpose string) (cipher.AEAD, error) {
	key, err := hkdf.Key(sha256.New, secret, nil, "coldsection seal "+purpose, 32)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}
