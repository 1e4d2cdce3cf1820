// Package ledger keeps the book: an append-only record of events that shows when
// it was tampered with. It is the only package that knows SQLite.
//
// # On disk
//
// A book is one directory on a local disk:
//
//	book.db       SQLite, write-ahead log, synchronous=FULL
//	files/        attachments, as files/aa/aabb…: the SHA-256 (FIPS 180-4) of the bytes
//	station.key   the key that signs the book's own feed, mode 0600
//	book.lock     held by the process that writes
//	book.holder   that process by name, for those who wait: a courtesy, never the lock
//
// While a feed is being opened there is station.key.new too, and while a book is
// being made book.db.making. A key that is replaced is kept as station.key.NAME.
// Outside the book, in the state directory of the machine, feeds/FEED.json holds
// what the machine remembers of the feed it writes; see the type marker.
//
// # Feeds
//
// Every event stands in a feed: the sequence written with one Ed25519 key, named
// by events.FeedName of the key, whose first event is a feed.opened. A row of the
// table events holds
//
//	feed, seq             the feed's number in the table feeds, and the place from 1
//	id, type, subject     as in the bytes; subject is NULL for the workshop
//	raw                   the event's exact bytes, as events.Encode wrote them
//	hashes                32 bytes each: the tree hashes stored with this record
//
// The tree is that of RFC 6962, section 2.1, as golang.org/x/mod/sumdb/tlog stores
// it. The leaf hash of an event is SHA-256(0x00 ‖ raw), that of a node SHA-256(0x01
// ‖ left ‖ right). Row n, counted from 0, holds its leaf hash and the hash of every
// subtree it completes, smallest first: as many as n has one bits at its low end,
// and one. Hash number k of level l is therefore in row ((k+1)<<l)-1 at byte 32·l:
//
//	n      0   1    2   3        4   5    6   7
//	holds  a   b    c   d        e   f    g   h
//	           ab       cd            ef       gh
//	                    abcd                   efgh
//	                                           abcdefgh
//
// Each event of a vehicle names the place and the leaf hash of the event before it
// of the same vehicle in the same feed; events without a subject name none.
//
// # Heads
//
// The table feeds holds each feed's newest head: the text of C2SP tlog-checkpoint
// v1.0.0 as a signed note (golang.org/x/mod/sumdb/note), signed under its origin
// as the name of the key:
//
//	mendbook.feed.xdmxpopmgqa72kllxtr24ihqzy
//	8
//	XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=
//
//	— mendbook.feed.xdmxpopmgqa72kllxtr24ihqzy c9AAK5nYDkSYk1vSGp6Gzo4P+FLHv9sJTvL+DlHAwcR79Q+K4l3xdJuctjs1C8Kuim/LuwVWerqfaL+lV5SFXY4UigE=
//
// One transaction holds the events, their hashes, their words in the lookup index
// and the new head. station.key is a note private key of the same name.
//
// # Copies
//
// A book restored from a backup, or copied to another machine, must not continue
// its feed: two different events would stand at one place, both signed. Where the
// machine does not remember the feed as the book has it, a new feed is opened whose
// first event names the feed it continues, its size and root, and why. Both stay
// readable for ever.
//
// # Growth
//
// PRAGMA application_id is "Mend" in ASCII. PRAGMA user_version is the layout;
// an older one is brought up step by step, a newer one is refused. Events are never
// rewritten. Layout 1 has feeds and events; layout 2 adds the lookup index and the
// table derived, both of which follow from the events.
//
// # Caveats
//
// Triggers keep events from being changed by accident, and anyone with the file can
// drop them. Whoever has station.key can sign another history: only a head kept
// elsewhere shows that. [Check] finds everything else. Reading compares each event
// with the leaf hash beside it, and opening the number of the book's own events
// with their signed head; neither takes the place of Check.
//
// A book that this user cannot write is read without locks where nobody has it
// open. Somebody who begins to write meanwhile may make that reading fail.
package ledger
