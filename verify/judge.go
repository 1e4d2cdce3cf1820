package verify

import "mendbook/events"

// Question is what is asked of a vehicle's history.
type Question struct {
	// Job to judge; zero: the latest.
	Job events.ID
	// Before and After judge two scans instead of a job.
	Before, After events.ID
}
