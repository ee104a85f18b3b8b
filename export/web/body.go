package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"unicode/utf8"
)

// Bounds of what people may send.
const (
	mostBody = 8 << 10 // bytes
	mostText = 500     // characters of a note or reason
)

// bodyOf reads a request's body into a struct, every field of which may be
// absent. It answers what is wrong with it, and reports whether it is good.
//
// The body must say that it is JSON: a form of another site cannot.
func bodyOf(w http.ResponseWriter, r *http.Request, into any) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		answerJSON(w, http.StatusUnsupportedMediaType,
			errorAnswer{`the body must be JSON: send the header "Content-Type: application/json" and a body, which may be {}`})
		return false
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, mostBody))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		answerJSON(w, http.StatusRequestEntityTooLarge, errorAnswer{fmt.Sprintf("the body has more than %d bytes; say it shorter", mostBody)})
		return false
	case err != nil:
		answerJSON(w, http.StatusBadRequest, errorAnswer{"the body did not come whole: " + err.Error() + "; send it again"})
		return false
	}
	if err := decode(body, into); err != nil {
		answerJSON(w, http.StatusBadRequest, errorAnswer{err.Error()})
		return false
	}
	return true
}

// decode reads one JSON object and nothing else. An empty body is an empty
// object.
func decode(body []byte, into any) error {
	body = bytes.TrimSpace(body)
	if len(body) == 0 {
		return nil
	}
	if body[0] != '{' {
		return errors.New(`the body must be a JSON object, as in {"reason": "belt on order"}`)
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return fmt.Errorf("the body cannot be used: %s; /api/v1/openapi.json says what it may hold", strings.TrimPrefix(err.Error(), "json: "))
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("something follows the JSON object of the body; send one object only")
	}
	return nil
}

// sayable makes a text that somebody gave fit to be kept and shown; one that is
// too long is answered.
func sayable(w http.ResponseWriter, what string, text *string) bool {
	*text = strings.TrimSpace(clean(*text))
	if utf8.RuneCountInString(*text) > mostText {
		answerJSON(w, http.StatusBadRequest, errorAnswer{fmt.Sprintf("the %s has more than %d characters; say it shorter", what, mostText)})
		return false
	}
	return true
}

// textOrNumber is a JSON text, or a number as it is written.
type textOrNumber string

// UnmarshalJSON reads either.
func (t *textOrNumber) UnmarshalJSON(data []byte) error {
	var text string
	if err := json.Unmarshal(data, &text); err == nil {
		*t = textOrNumber(text)
		return nil
	}
	var number json.Number
	if err := json.Unmarshal(data, &number); err != nil {
		return errors.New("a time is a text or a number")
	}
	*t = textOrNumber(number)
	return nil
}
