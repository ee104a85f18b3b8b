package turnover

import (
	"encoding/json"
	"time"
)

// Retest names the first record of a fan that is proven again, and says what has
// become of what was found then.
type Retest struct {
	SHA256 string    `json:"sha256"` // of the first record
	Time   time.Time `json:"time"`   // when its proof began
	// Since are the points, and what the fan did, whose verdict is another now, and
	// those that failed then and fail now.
	Since []Since `json:"since,omitempty"`
	// Doubt says why the first record cannot be relied on; nothing is compared then.
	Doubt string `json:"doubt,omitempty"`
}

// Since is one thing that was proven the first time, or is now.
type Since struct {
	What string   `json:"what"`           // a point, or what the fan did
	Was  *Verdict `json:"was,omitempty"`  // absent: it was not proven then
	Is   *Verdict `json:"is,omitempty"`   // absent: it is not proven now
	Then string   `json:"then,omitempty"` // the reason of the first time
}

// retestOf compares a record with the first one of its fan as it is kept. One that
// was changed since it was sealed is named, and not compared.
func retestOf(first json.RawMessage, now *Record) *Retest {
	was, doubt := Recall(first)
	if was == nil {
		return &Retest{Doubt: doubt.Error()}
	}
	r := &Retest{SHA256: was.SHA256, Time: was.Began}
	if doubt != nil {
		r.Doubt = doubt.Error()
		return r
	}
	then, is := was.verdicts(), now.verdicts()
	for _, one := range is {
		before := find(then, one.What)
		if before == nil || *before.Is != *one.Is || *one.Is == Fail {
			r.Since = append(r.Since, since(one.What, before, &one))
		}
	}
	for _, one := range then {
		if find(is, one.What) == nil {
			r.Since = append(r.Since, since(one.What, &one, nil))
		}
	}
	return r
}

// verdicts lists what a record says of each point and of what the fan did.
func (r *Record) verdicts() []Since {
	var all []Since
	for i := range r.Points {
		all = append(all, Since{What: r.Points[i].Point.String(), Is: &r.Points[i].Verdict, Then: r.Points[i].Reason})
	}
	for i := range r.Seen {
		all = append(all, Since{What: r.Seen[i].What, Is: &r.Seen[i].Verdict, Then: r.Seen[i].Reason})
	}
	return all
}

func find(all []Since, what string) *Since {
	for i := range all {
		if all[i].What == what {
			return &all[i]
		}
	}
	return nil
}

func since(what string, was, is *Since) Since {
	s := Since{What: what}
	if was != nil {
		s.Was, s.Then = was.Is, was.Then
	}
	if is != nil {
		s.Is = is.Is
	}
	return s
}

// Mended reports whether what failed the first time passes now.
func (s Since) Mended() bool { return s.Was != nil && *s.Was == Fail && s.Is != nil && *s.Is == Pass }

// Still reports whether what failed the first time fails now.
func (s Since) Still() bool { return s.Was != nil && *s.Was == Fail && s.Is != nil && *s.Is == Fail }

// Fresh reports whether what fails now did not fail the first time.
func (s Since) Fresh() bool { return s.Is != nil && *s.Is == Fail && !s.Still() }
