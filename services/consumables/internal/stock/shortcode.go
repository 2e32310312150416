package stock

import (
	"strings"

	"coldsection.example/services/platform/fault"
)

// alphabet has 29 characters, a prime number, and none that is easily taken for another.
const alphabet = "23456789ABCDEFGHJKMNPQRSTVWXY"

// ShortCodeLength is how many characters a short code has.
const ShortCodeLength = 7

// ShortCode is a code of six characters and a check character for the n-th lot. The check is a weighted sum modulo 29;
// because 29 is prime and the weights differ, every wrong character and every swap of neighbours changes it.
func ShortCode(n int64) string {
	var digits [6]byte
	for i := len(digits) - 1; i >= 0; i-- {
		digits[i] = alphabet[n%int64(len(alphabet))]
		n /= int64(len(alphabet))
	}
	return string(digits[:]) + string(alphabet[checksum(string(digits[:]))])
}

func checksum(s string) int {
	sum := 0
	for i := range len(s) {
		sum += (i + 2) * strings.IndexByte(alphabet, s[i])
	}
	return (len(alphabet) - sum%len(alphabet)) % len(alphabet)
}

// ReadShortCode cleans a typed code and checks it. Reason: CHECK_CHARACTER_WRONG.
func ReadShortCode(typed string) (string, error) {
	code := strings.ToUpper(strings.TrimSpace(typed))
	if len(code) == ShortCodeLength && strings.Trim(code, alphabet) == "" && ShortCodeValid(code) {
		return code, nil
	}
	return "", fault.Invalid("code", "CHECK_CHARACTER_WRONG", "%.40q is not one of our lot codes. Scan it again, or type the seven characters.", typed)
}

// ShortCodeValid reports whether the check character of a seven-character code fits.
func ShortCodeValid(code string) bool { return code[6] == alphabet[checksum(code[:6])] }
