package events

import "strings"

// FileAttached says that a file belongs to the vehicle: a photo, a print, a
// capture. The bytes are kept beside the book under their hash.
//
// Version history: v1, the first.
type FileAttached struct {
	// Name is the file's own name, without a folder.
	Name string `json:"name"`
	// SHA256 of the bytes, 64 hex digits in lower case (FIPS 180-4).
	SHA256 string `json:"sha256"`
	// Size in bytes.
	Size int64 `json:"size"`
	// Media is the media type (RFC 6838): "image/jpeg".
	Media string `json:"media,omitempty"`
	// To is the event it illustrates, where it is one.
	To   ID     `json:"to,omitzero"`
	By   string `json:"by,omitempty"`
	Note string `json:"note,omitempty"`
}

// Type is "file.attached.v1".
func (*FileAttached) Type() string { return "file.attached.v1" }

// Validate wants a plain file name and a whole hash.
func (e *FileAttached) Validate() error {
	var p Problems
	p.name("name", e.Name)
	if strings.ContainsAny(e.Name, `/\:`) || e.Name == "." || e.Name == ".." {
		p.Add("name", "%q: want the name alone, without a folder", e.Name)
	}
	if !hexText(strings.ToUpper(e.SHA256), 64, 64) || strings.ToLower(e.SHA256) != e.SHA256 {
		p.Add("sha256", "want 64 hex digits in lower case")
	}
	if e.Size < 0 {
		p.Add("size", "%d: want 0 or more", e.Size)
	}
	p.optionalName("media", e.Media)
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
