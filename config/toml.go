package config

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"
)

// unreadable stands for a value that could not be read; its fault is reported
// already, and nothing else is said of it.
const unreadable = "\x00unreadable"

// brokenTable begins the name that is put in place of a table's second
// header; what is below it is not read.
const brokenTable = "\x00broken "

// mostRepairs is how many lines of bad syntax are looked past in one text.
const mostRepairs = 20

var (
	keyLine    = regexp.MustCompile(`^\s*[A-Za-z0-9_.-]+\s*=`)
	headerLine = regexp.MustCompile(`^\s*\[`)
)

// readTOML reads a text into the table of the whole file; nil where it cannot
// be read. A line of bad syntax is reported and, where it can be told what was
// meant to stand there, looked past, so that it hides no other fault.
func (r *reader) readTOML(file string, text []byte) *table {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	lines := strings.Split(string(text), "\n")
	reported := -1 // no line yet, nor the one before the first
	for range mostRepairs {
		repaired := strings.Join(lines, "\n")
		var values map[string]any
		_, err := toml.Decode(repaired, &values)
		if err == nil {
			return r.placed(file, repaired, values)
		}
		line, what, again := syntaxFault(repaired, err)
		line = min(max(line, 1), len(lines))
		if line == reported || line == reported+1 {
			return nil // the wake of the fault before
		}
		reported = line
		r.add(file, line, what, syntaxRemedy(again))
		if !repair(lines, line-1, again) {
			return nil
		}
	}
	return nil
}

// placed joins the values of a text with their places.
func (r *reader) placed(file, text string, values map[string]any) *table {
	root, line, err := survey([]byte(text))
	if err != nil {
		r.add(file, line, "after this line the file cannot be read: "+err.Error(), "correct what follows it")
		return nil
	}
	return r.table(file, values, root)
}

// syntaxFault returns the line and the words of the decoder's error, and
// whether it is that of a name which is defined again.
func syntaxFault(text string, err error) (line int, what string, again bool) {
	var parse toml.ParseError
	if !errors.As(err, &parse) {
		return 1, "the file cannot be read: " + err.Error(), false
	}
	again = strings.Contains(parse.Message, "already been defined")
	what = "the syntax is wrong: " + strings.TrimSuffix(parse.Message, ".")
	if again {
		what = strings.TrimSuffix(parse.Message, ".")
		what = strings.ToLower(what[:1]) + what[1:]
	}
	line = parse.Position.Line
	if at := parse.Position.Start; at > 0 && at <= len(text) {
		// Where a line ends too early the decoder has counted its end already.
		line = min(line, 1+strings.Count(text[:at], "\n"))
	}
	return line, what, again
}

func syntaxRemedy(again bool) string {
	if again {
		return "keep one of the two"
	}
	return `correct the line: texts and quantities stand in quotes, as in setpoint = "-30 Pa"`
}

// repair puts something readable in place of a bad line and reports whether it
// could.
func repair(lines []string, i int, again bool) bool {
	switch line := lines[i]; {
	case again && headerLine.MatchString(line):
		lines[i] = fmt.Sprintf("[%s]", strconv.Quote(`\u0000broken `+strconv.Itoa(i)))
		lines[i] = strings.ReplaceAll(lines[i], `\\u`, `\u`)
	case again && keyLine.MatchString(line):
		lines[i] = ""
	case !again && keyLine.MatchString(line):
		lines[i] = keyLine.FindString(line) + ` "\u0000unreadable"`
	default:
		return false
	}
	return true
}
