package web

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// topic is one thing that a stream follows. It remembers what it has told.
type topic interface {
	// next returns what a picture has that was not told yet. The first message is
	// whole; of fans, so is the next one after the fleet file was loaded anew.
	next(p *picture) message
}

// usualTopics are followed where none is asked for.
var usualTopics = []string{"summary", "alarms"}

// topics reads the topics that are asked for.
func (q *query) topics() []topic {
	var names []string
	for _, name := range q.values["topic"] {
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		names = usualTopics
	}
	if len(names) > mostTopics {
		q.wrong = fmt.Sprintf("a stream has at most %d topics; open another one for more", mostTopics)
		return nil
	}
	topics := make([]topic, len(names))
	for i, name := range names {
		if topics[i] = newTopic(name); topics[i] == nil {
			q.wrong = fmt.Sprintf("topic = %q is unknown; it may be summary, alarms, marks, building:ID or fan:ID", name)
		}
	}
	return topics
}

// newTopic returns the topic of that name, or nil.
func newTopic(name string) topic {
	kind, id, _ := strings.Cut(name, ":")
	switch {
	case name == "summary":
		return &summaryTopic{}
	case name == "alarms":
		return &alarmsTopic{}
	case name == "marks":
		return &marksTopic{}
	case kind == "building" && id != "":
		return &buildingTopic{id: id}
	case kind == "fan" && id != "":
		return &fanTopic{id: id}
	}
	return nil
}

// gone says that what a topic is about is not in the fleet.
func gone(topic string) message {
	return message{"gone", encoded(struct {
		Topic string `json:"topic"`
	}{topic})}
}

// encoded returns a value of ours as JSON.
func encoded(value any) []byte {
	text, err := json.Marshal(value)
	if err != nil {
		panic(err) // our own types can be written
	}
	return text
}
