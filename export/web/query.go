package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// query is what a request asks for behind the question mark, and the first thing
// that is wrong with it.
type query struct {
	values url.Values
	wrong  string
}

// asked reads the query of a request, which may have these keys only: a key that
// is mistyped must not widen what is answered.
func asked(r *http.Request, keys ...string) *query {
	values, err := url.ParseQuery(r.URL.RawQuery)
	q := &query{values: values}
	if err != nil {
		q.wrong = "the query cannot be read: " + err.Error() + "; write it as key=value&key=value"
		return q
	}
	for key := range values {
		if !slices.Contains(keys, key) {
			q.wrong = fmt.Sprintf("%q is nothing that can be asked for here; the keys are %s", key, strings.Join(keys, ", "))
		}
	}
	return q
}

// refused answers a query that is wrong, and reports whether it is.
func (q *query) refused(w http.ResponseWriter) bool {
	if q.wrong != "" {
		answerJSON(w, http.StatusBadRequest, errorAnswer{q.wrong})
	}
	return q.wrong != ""
}

// oneOf returns the values of a key, each of which must be one of the names.
func (q *query) oneOf(key string, names []string) []string {
	for _, value := range q.values[key] {
		if !slices.Contains(names, value) {
			q.wrong = fmt.Sprintf("%s = %q is unknown; it may be %s", key, value, strings.Join(names, ", "))
		}
	}
	return q.values[key]
}

// number returns a whole number from 1 to the most that is allowed.
func (q *query) number(key string, def, most int) int {
	text := q.values.Get(key)
	if text == "" {
		return def
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > most {
		q.wrong = fmt.Sprintf("%s = %q must be a whole number from 1 to %d", key, text, most)
	}
	return n
}

// instant returns a time, or zero where there is none.
func (q *query) instant(key string) time.Time {
	text := q.values.Get(key)
	if text == "" {
		return time.Time{}
	}
	t, ok := parseTime(text)
	if !ok {
		q.wrong = fmt.Sprintf("%s = %q is no time; write it as 2026-01-05T06:31:10Z or in seconds since 1970", key, text)
	}
	return t
}

// parseTime reads a time as RFC 3339 or in seconds since 1970, up to the year
// 9999.
func parseTime(text string) (t time.Time, ok bool) {
	const last = 253402300799 // 9999-12-31T23:59:59Z
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, true
	}
	s, err := strconv.ParseFloat(text, 64)
	if err != nil || !(s >= 0 && s <= last) {
		return time.Time{}, false
	}
	return time.UnixMilli(int64(s * 1000)), true
}
