package listing

import (
	"strings"
	"unicode"
)

type tokenKind int

const (
	bare    tokenKind = iota // a word without quotes
	quoted                   // the inside of quotes
	compare                  // a comparison operator
	open                     // (
	closing                  // )
	end
)

// token is one piece of a filter; its position counts characters from 0.
type token struct {
	kind     tokenKind
	text     string
	position int
	star     bool // whether a value begins or ends with *, as if that stood for any text
}

// lex cuts a filter into tokens; the last one is always end.
func lex(text string) ([]token, error) {
	runes := []rune(text)
	var tokens []token
	for i := 0; i < len(runes); {
		r := runes[i]
		switch {
		case unicode.IsSpace(r):
			i++
		case r == '(' || r == ')':
			kind := open
			if r == ')' {
				kind = closing
			}
			tokens = append(tokens, token{kind: kind, text: string(r), position: i})
			i++
		case strings.ContainsRune("=!<>:", r):
			operator := operatorAt(runes[i:])
			if operator == "" {
				return nil, refuse(i, "%q is no comparison. Use one of = != < <= > >= :.", string(r))
			}
			tokens = append(tokens, token{kind: compare, text: operator, position: i})
			i += len(operator)
		case r == '"' || r == '\'':
			inside, length, ok := quotedAt(runes[i:])
			if !ok {
				return nil, refuse(i, "This quote is not closed. Close it.")
			}
			written := string(runes[i+1 : i+length-1])
			star := strings.HasPrefix(written, "*") || strings.HasSuffix(written, "*") && !strings.HasSuffix(written, `\*`)
			tokens = append(tokens, token{quoted, inside, i, star})
			i += length
		default:
			length := bareAt(runes[i:])
			word := string(runes[i : i+length])
			tokens = append(tokens, token{bare, word, i, strings.HasPrefix(word, "*") || strings.HasSuffix(word, "*")})
			i += length
		}
	}
	return append(tokens, token{kind: end, text: "the end", position: len(runes)}), nil
}

func operatorAt(runes []rune) string {
	for _, operator := range []string{"!=", "<=", ">=", "=", "<", ">", ":"} {
		if strings.HasPrefix(string(runes[:min(2, len(runes))]), operator) {
			return operator
		}
	}
	return ""
}

// quotedAt reads up to the closing quote; a backslash takes the next character as it is.
func quotedAt(runes []rune) (inside string, length int, closed bool) {
	var b strings.Builder
	for i := 1; i < len(runes); i++ {
		switch {
		case runes[i] == runes[0]:
			return b.String(), i + 1, true
		case runes[i] == '\\' && i+1 < len(runes):
			i++
			b.WriteRune(runes[i])
		default:
			b.WriteRune(runes[i])
		}
	}
	return "", 0, false
}

func bareAt(runes []rune) int {
	for i, r := range runes {
		if unicode.IsSpace(r) || strings.ContainsRune("()=!<>:\"'", r) {
			return i
		}
	}
	return len(runes)
}
