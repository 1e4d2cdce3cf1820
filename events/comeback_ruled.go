package events

// ComebackRuled is the clerk's ruling on whether a job came back from another.
//
// Version history: v1, the first.
type ComebackRuled struct {
	// Job is the returning job, From the one it returns from.
	Job    ID     `json:"job"`
	From   ID     `json:"from"`
	Ruling Ruling `json:"ruling"`
	By     string `json:"by,omitempty"`
	Note   string `json:"note,omitempty"`
}

// Ruling is why a vehicle came back.
type Ruling string

// Values are the rulings.
func (Ruling) Values() []string {
	return []string{"same fault", "part failed", "workmanship", "unrelated", "no fault found"}
}

// Type is "comeback.ruled.v1".
func (*ComebackRuled) Type() string { return "comeback.ruled.v1" }

// Validate wants two different jobs and a ruling.
func (e *ComebackRuled) Validate() error {
	var p Problems
	p.id("job", e.Job)
	p.id("from", e.From)
	if e.Job == e.From && !e.Job.IsZero() {
		p.Add("from", "a job cannot come back from itself")
	}
	word(&p, "ruling", e.Ruling)
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
