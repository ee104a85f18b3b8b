package web

import (
	"strings"
	"unicode"
)

// clean makes a text of the fleet file fit to be shown: what is not UTF-8
// becomes the replacement character, and line ends, other control characters
// and the marks that turn the direction of writing become spaces, so that no
// name can disguise itself as another. Markup is escaped by the template.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "\uFFFD"))
}
