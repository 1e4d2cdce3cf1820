// Package events is the vocabulary of the book: what can be recorded about a
// vehicle, and the exact bytes it is recorded as.
//
// An event is one JSON object, a CloudEvents 1.0 envelope (the open CNCF
// specification, JSON event format), with no white space and its attributes in
// one fixed order:
//
//	{"specversion":"1.0","id":"01JNAZ1QV0...","source":"urn:mendbook:feed:7qk...",
//	 "type":"mendbook.scan.taken.v1","subject":"01JN...","time":"2026-03-02T09:12:44Z",
//	 "feedseq":41,"prevseq":38,"prevhash":"...","at":"2026-03-02T09:05:00Z","data":{...}}
//
// (broken here over lines). These bytes are what is stored, hashed, signed and
// sent to other machines; they are never written anew. [Parse] accepts only
// the one encoding that [Encode] gives, so an event has exactly one spelling.
//
//	id        a ULID; its time is the recording machine's logical clock
//	source    the feed the event stands in
//	subject   the vehicle; absent for what concerns the whole workshop
//	time      the wall clock of the recording machine
//	feedseq   the place in the feed, from 1, without gaps
//	prevseq   the place of the previous event of the same vehicle in this feed,
//	prevhash  and its leaf hash, so that a packet of a vehicle's events shows gaps
//	at        when the work happened, where that was not the moment of recording
//	data      what happened, by the type
//
// How the vocabulary grows: a changed meaning is a new type suffix (scan.taken.v2)
// with a pure one-step upcaster (see [Registry]); a released version is never
// edited, and a frozen sample of each stays in testdata/events. A type this
// program does not know is kept, hashed and shown as [Unknown]: never an error
// that stops, never dropped.
//
// The package is pure: no files, no network, no clock, no randomness.
package events
