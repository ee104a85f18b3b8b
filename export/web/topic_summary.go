package web

import (
	"bytes"
	"time"

	"fanwarden/export"
	"fanwarden/poller/reading"
)

// summaryPace is how many bytes a second the summary may take: that of many
// buildings is told less often.
const summaryPace = 5000

// summaryTopic tells how the fleet does, in numbers.
type summaryTopic struct {
	told []byte
	due  time.Time
}

// summaryAnswer is what the topic tells, always as a whole.
type summaryAnswer struct {
	Fans           int              `json:"fans"`
	Answering      int              `json:"answering"`
	Page           int              `json:"page"` // fans and gateways by the worst condition that nothing explains
	Ticket         int              `json:"ticket"`
	Note           int              `json:"note"`
	Unacknowledged int              `json:"unacknowledged"` // alarms that stand and that people are told of
	Shelved        int              `json:"shelved"`
	OutOfService   int              `json:"out_of_service"` // fans
	Flood          bool             `json:"flood"`
	Reload         reloadAnswer     `json:"reload"`
	Store          keepsAnswer      `json:"store"`   // of the alarms
	History        keepsAnswer      `json:"history"` // of the readings
	Incidents      []incidentAnswer `json:"incidents"`
	Buildings      []countsAnswer   `json:"buildings"` // in the order of the fleet file
}

type keepsAnswer struct {
	Used bool `json:"used"` // there is one
	Up   bool `json:"up"`   // what was last to be written is written
}

// countsAnswer counts the fans of a building by their worst, and its gateways.
type countsAnswer struct {
	ID           reading.BuildingID `json:"id"`
	Fans         int                `json:"fans"`
	Well         int                `json:"well"`
	Note         int                `json:"note"`
	Ticket       int                `json:"ticket"`
	Page         int                `json:"page"`
	Unanswered   int                `json:"unanswered"`
	Unjudged     int                `json:"unjudged"`
	Gateways     int                `json:"gateways"`
	GatewaysDown int                `json:"gateways_down"`
}

func (t *summaryTopic) next(p *picture) message {
	p.counted.Do(func() { p.summary = encoded(p.count()) })
	if p.now.Before(t.due) || bytes.Equal(p.summary, t.told) {
		return message{}
	}
	t.told, t.due = p.summary, p.now.Add(time.Duration(len(p.summary))*time.Second/summaryPace)
	return message{"summary", p.summary}
}

func (p *picture) count() summaryAnswer {
	s := p.snapshot
	a := summaryAnswer{Fans: len(s.Fans), Unacknowledged: p.ledger.unacknowledged, Shelved: p.ledger.shelved, OutOfService: len(p.ledger.out),
		Flood: s.Alarms.Flood, Reload: reloadAnswer{s.Reload.Good, known(s.Reload.GoodAt)}, Store: keepsAnswer{s.Store.Used, s.Store.Up},
		History: keepsAnswer{s.History.Used, s.History.Up}, Incidents: describeIncidents(s.Incidents),
		Buildings: make([]countsAnswer, len(s.Fleet.Buildings))}
	place := make(map[reading.BuildingID]*countsAnswer, len(a.Buildings))
	for i, b := range s.Fleet.Buildings {
		a.Buildings[i].ID = b.ID
		place[b.ID] = &a.Buildings[i]
	}
	for i := range p.fans {
		if p.fans[i].up {
			a.Answering++
		}
		a.worst(rank(p.fans[i].rank))
		a.Buildings[p.layout.building[i]].fan(rank(p.fans[i].rank))
	}
	for _, g := range s.Gateways {
		a.worst(gatewayRank(g, p.now))
		place[g.Gateway.Building.ID].gateway(g, p.now)
	}
	return a
}

// worst counts a fan or gateway by the worst that stands of it.
func (a *summaryAnswer) worst(r rank) {
	switch r {
	case noteStands:
		a.Note++
	case ticketNeeds:
		a.Ticket++
	case pageNeeds:
		a.Page++
	}
}

func (c *countsAnswer) fan(r rank) {
	c.Fans++
	*[ranks]*int{&c.Well, &c.Unjudged, &c.Unanswered, &c.Note, &c.Ticket, &c.Page}[r]++
}

func (c *countsAnswer) gateway(g *export.Gateway, now time.Time) {
	c.Gateways++
	if !g.Last.IsZero() && !g.Up(now) {
		c.GatewaysDown++
	}
}
