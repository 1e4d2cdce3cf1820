package events

// JobJoined says that two jobs opened apart (by two machines without a
// connection) are one visit. Job is given up; what is its belongs to Into.
//
// Version history: v1, the first.
type JobJoined struct {
	Job  ID     `json:"job"`
	Into ID     `json:"into"`
	Why  string `json:"why,omitempty"`
}

// Type is "job.joined.v1".
func (*JobJoined) Type() string { return "job.joined.v1" }

// Validate wants two different jobs.
func (e *JobJoined) Validate() error {
	var p Problems
	p.id("job", e.Job)
	p.id("into", e.Into)
	if e.Job == e.Into && !e.Job.IsZero() {
		p.Add("into", "a job cannot be joined into itself")
	}
	p.text("why", e.Why)
	return p.Err()
}
