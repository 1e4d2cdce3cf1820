package events

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"mendbook/events/fault"
	"mendbook/events/quantity"
	"mendbook/events/vin"
)

func ptr[T any](v T) *T { return &v }

// fields are the fields an error names, in order.
func fields(t *testing.T, err error) string {
	t.Helper()
	if err == nil {
		return ""
	}
	invalid, ok := errors.AsType[Invalid](err)
	if !ok {
		return "not field errors: " + err.Error()
	}
	var out []string
	for _, f := range invalid {
		if f.Reason == "" || strings.HasSuffix(f.Reason, ".") {
			t.Errorf("%s has reason %q", f.Field, f.Reason)
		}
		out = append(out, f.Field)
	}
	return strings.Join(out, " ")
}

// bad is one change to a good sample and the fields the error must name.
type bad[T Data] struct {
	want   string
	change func(T)
}

func check[T Data](t *testing.T, cases ...bad[T]) {
	t.Helper()
	if err := sample[T](t).Validate(); err != nil {
		t.Fatal(err)
	}
	for _, c := range cases {
		d := sample[T](t)
		c.change(d)
		if got := fields(t, d.Validate()); got != c.want {
			t.Errorf("%s: the error names %q, want %q", d.Type(), got, c.want)
		}
		if _, err := EncodeData(d); err == nil {
			t.Errorf("%s with a bad %s was encoded", d.Type(), c.want)
		}
	}
}

const long = "123456789 123456789 123456789 123456789 123456789 123456789 123456789 123456789 1"

func TestValidate(t *testing.T) {
	tooMuch := strings.Repeat("a", maxText+1)
	check(t,
		bad[*FeedOpened]{"key", func(e *FeedOpened) { e.Key = e.Key[:31] }},
		bad[*FeedOpened]{"station", func(e *FeedOpened) { e.Station = " " }},
		bad[*FeedOpened]{"continues.feed continues.size continues.root continues.why", func(e *FeedOpened) { e.Continues = &Continued{Size: -1} }},
		bad[*FeedOpened]{"continues.size", func(e *FeedOpened) { e.Continues.Size = MaxSeq + 1 }},
		bad[*FeedOpened]{"note", func(e *FeedOpened) { e.Note = tooMuch }})
	check(t,
		bad[*VehicleRegistered]{"label", func(e *VehicleRegistered) { e.Label = "" }},
		bad[*VehicleRegistered]{"make model engine fuel", func(e *VehicleRegistered) { e.Make, e.Model, e.Engine, e.Fuel = long, " x", "x\ny", "x\x00" }},
		bad[*VehicleRegistered]{"year", func(e *VehicleRegistered) { e.Year = 1885 }},
		bad[*VehicleRegistered]{"market", func(e *VehicleRegistered) { e.Market = "de" }},
		bad[*VehicleRegistered]{"vin", func(e *VehicleRegistered) {
			e.VIN, _ = vin.Parse("00FVAN0700A000007") // 49 CFR 565.15(c): position 9 must be 7
			e.Market = "US"
		}},
		bad[*VehicleRegistered]{"note", func(e *VehicleRegistered) { e.Note = "\xff" }},
		bad[*VehicleRegistered]{"label", func(e *VehicleRegistered) { e.Label = "van\u009b7" }}) // a C1 control begins a terminal command (ECMA-48, 5.4)
	check(t, bad[*VehicleJoined]{"into why", func(e *VehicleJoined) { e.Into, e.Why = ID{}, tooMuch }})
	check(t,
		bad[*JobOpened]{"card complaint by note", func(e *JobOpened) { e.Card, e.Complaint, e.By, e.Note = long, tooMuch, " ", tooMuch }},
		bad[*JobOpened]{"lamps[0].name lamps[1].state", func(e *JobOpened) { e.Lamps[0].Name, e.Lamps[1].State = "", "dim" }},
		bad[*JobOpened]{"lamps[1].name", func(e *JobOpened) { e.Lamps[1] = e.Lamps[0] }},
		bad[*JobOpened]{"lamps[0].when", func(e *JobOpened) { e.Lamps[0].When = " " }})
	check(t, bad[*JobJoined]{"job into", func(e *JobJoined) { e.Job, e.Into = ID{}, ID{} }}, bad[*JobJoined]{"into", func(e *JobJoined) { e.Into = e.Job }})
	check(t,
		bad[*JobClosed]{"job", func(e *JobClosed) { e.Job = ID{} }},
		bad[*JobClosed]{"signedOff[0].code signedOff[1].code", func(e *JobClosed) { e.SignedOff[0].NoAnswer, e.SignedOff[1].NoAnswer = true, false }},
		bad[*JobClosed]{"signedOff[1].unit signedOff[1].verdict signedOff[1].by signedOff[1].words", func(e *JobClosed) { e.SignedOff[1] = SignOff{NoAnswer: true} }},
		bad[*JobClosed]{"handedOver by note", func(e *JobClosed) { e.HandedOver, e.By, e.Note = tooMuch, long, tooMuch }})
	check(t, bad[*UnitNamed]{"known unit", func(e *UnitNamed) { *e = UnitNamed{} }}, bad[*UnitNamed]{"unit unit", func(e *UnitNamed) { e.Unit = " 7e8" }},
		bad[*UnitNamed]{"unit", func(e *UnitNamed) { e.Unit = "7e8" }})
	check(t,
		bad[*RepairDone]{"action component", func(e *RepairDone) { e.Action, e.Component = "", "" }},
		bad[*RepairDone]{"targets[0].unit targets[0].code", func(e *RepairDone) { e.Targets[0] = Target{} }},
		bad[*RepairDone]{"targets[1].code", func(e *RepairDone) { e.Targets[1] = e.Targets[0] }},
		bad[*RepairDone]{"renewed[0].unit renewed[1].how", func(e *RepairDone) { e.Renewed[0].Unit, e.Renewed[1].How = "", "mended" }},
		bad[*RepairDone]{"parts[0].quantity", func(e *RepairDone) { e.Parts[0].Quantity = ptr(quantity.MustNumber("0")) }},
		bad[*RepairDone]{"parts[1].number", func(e *RepairDone) { e.Parts[1].Name = "" }},
		bad[*RepairDone]{"parts[0].name parts[0].number parts[0].serial parts[0].batch", func(e *RepairDone) {
			e.Parts[0].Name, e.Parts[0].Number, e.Parts[0].Serial, e.Parts[0].Batch = long, long, long, long
		}},
		bad[*RepairDone]{"hours by note", func(e *RepairDone) {
			e.Hours, e.By, e.Note = ptr(quantity.MustNumber("-0.25")), long, tooMuch
		}})
	check(t,
		bad[*CodesErased]{"service", func(e *CodesErased) { e.Service = "14 " }},
		bad[*CodesErased]{"group", func(e *CodesErased) { e.Group = "ffffff" }},
		bad[*CodesErased]{"group", func(e *CodesErased) { e.Service = "" }},
		bad[*CodesErased]{"units", func(e *CodesErased) { e.Units = nil }},
		bad[*CodesErased]{"units[0].unit units[0].result units[0].address", func(e *CodesErased) { e.Units[0] = UnitErase{Address: "7e8"} }},
		bad[*CodesErased]{"units[0].refusal units[1].refusal", func(e *CodesErased) { e.Units[0].Refusal, e.Units[1].Refusal = "22", "2" }},
		bad[*CodesErased]{"units[3].unit", func(e *CodesErased) { e.Units[3].Unit = "ENGINE" }},
		bad[*CodesErased]{"units", func(e *CodesErased) { // each its own name, one too many
			e.Units = nil
			for i := range maxList + 1 {
				e.Units = append(e.Units, UnitErase{Unit: fmt.Sprint("unit ", i), Result: EraseUnknown})
			}
		}})
	check(t,
		bad[*DriveDone]{"distance", func(e *DriveDone) { e.Distance, e.Minutes = quantity.Distance{}, 0 }},
		bad[*DriveDone]{"minutes where by note", func(e *DriveDone) { e.Minutes, e.Where, e.By, e.Note = -1, "sea", long, tooMuch }})
	check(t, bad[*KeyCycled]{"by note", func(e *KeyCycled) { e.By, e.Note = "a\tb", "a\rb" }})
	check(t,
		bad[*MeasureTaken]{"name value", func(e *MeasureTaken) { e.Name, e.Value = "", quantity.Measure{} }},
		bad[*MeasureTaken]{"low", func(e *MeasureTaken) { e.Low = ptr(quantity.MustNumber("0.71")) }},
		bad[*MeasureTaken]{"source unit by note", func(e *MeasureTaken) { e.Source, e.Unit, e.By, e.Note = long, long, long, tooMuch }})
	check(t,
		bad[*FileAttached]{"name", func(e *FileAttached) { e.Name = "../coil.jpg" }},
		bad[*FileAttached]{"name", func(e *FileAttached) { e.Name = ".." }},
		bad[*FileAttached]{"sha256", func(e *FileAttached) { e.SHA256 = strings.ToUpper(e.SHA256) }},
		bad[*FileAttached]{"sha256", func(e *FileAttached) { e.SHA256 = e.SHA256[1:] }},
		bad[*FileAttached]{"size media by note", func(e *FileAttached) { e.Size, e.Media, e.By, e.Note = -1, long, long, tooMuch }})
	check(t,
		bad[*ComebackRuled]{"job from ruling", func(e *ComebackRuled) { *e = ComebackRuled{} }},
		bad[*ComebackRuled]{"from ruling", func(e *ComebackRuled) { e.From, e.Ruling = e.Job, "bad luck" }})
	check(t,
		bad[*ClaimFiled]{"job reference against", func(e *ClaimFiled) { *e = ClaimFiled{} }},
		bad[*ClaimFiled]{"oldPart returnBy", func(e *ClaimFiled) { e.OldPart, e.ReturnBy = long, "2026-02-30" }})
	check(t, bad[*ClaimSettled]{"claim outcome", func(e *ClaimSettled) { *e = ClaimSettled{} }}, bad[*ClaimSettled]{"outcome by", func(e *ClaimSettled) { e.Outcome, e.By = "lost", long }})
	check(t,
		bad[*PersonNamed]{"name aliases", func(e *PersonNamed) { *e = PersonNamed{} }},
		bad[*PersonNamed]{"aliases[1]", func(e *PersonNamed) { e.Aliases[1] = "" }})
	check(t, bad[*PolicySet]{"name value by why", func(e *PolicySet) { e.Name, e.Value, e.By, e.Why = "", "", long, tooMuch }})
	check(t, bad[*EventVoided]{"event why", func(e *EventVoided) { *e = EventVoided{} }})
}

func TestValidateScan(t *testing.T) {
	volt, err := quantity.ParseMeasure("12 A")
	if err != nil {
		t.Fatal(err)
	}
	check(t,
		bad[*ScanTaken]{"ignition engine battery", func(e *ScanTaken) { e.Ignition, e.Engine, e.Battery = "half", "off or so", volt }},
		bad[*ScanTaken]{"lamps[0].state", func(e *ScanTaken) { e.Lamps[0].State = "" }},
		bad[*ScanTaken]{"units", func(e *ScanTaken) { e.Units = nil }},
		bad[*ScanTaken]{"units[0].unit units[0].address", func(e *ScanTaken) { e.Units[0].Unit, e.Units[0].Address = "", "7e8" }},
		bad[*ScanTaken]{"units[0].software[1]", func(e *ScanTaken) { e.Units[0].Software[1] = long }},
		bad[*ScanTaken]{"units[3].reach", func(e *ScanTaken) { e.Units[3].Reach = "asleep" }},
		bad[*ScanTaken]{"units[2].refusal", func(e *ScanTaken) { e.Units[2].Refusal = "2" }},
		bad[*ScanTaken]{"units[3].refusal", func(e *ScanTaken) { e.Units[3].Refusal = "22" }},
		bad[*ScanTaken]{"units[0].service", func(e *ScanTaken) { e.Units[0].Service = "19-02" }},
		bad[*ScanTaken]{"units[0].reach", func(e *ScanTaken) { e.Units[0].Reach = Silent }},
		bad[*ScanTaken]{"units[4].unit", func(e *ScanTaken) { e.Units[4].Unit = "TAILGATE" }},
		bad[*ScanTaken]{"units[0].views[0] units[0].views[2]", func(e *ScanTaken) { e.Units[0].Views[0] = 0; e.Units[0].Views[2] = e.Units[0].Views[1] }},
		bad[*ScanTaken]{"units[0].codes[1].code", func(e *ScanTaken) { e.Units[0].Codes[1].Code = e.Units[0].Codes[0].Code }},
		bad[*ScanTaken]{"units[0].codes[1].code", func(e *ScanTaken) { e.Units[0].Codes[1].Code = fault.Code{} }},
		bad[*ScanTaken]{"units[0].codes[0].count", func(e *ScanTaken) { e.Units[0].Codes[0].Count = ptr(-1) }},
		bad[*ScanTaken]{"units[0].codes[0].frame.values[1].name units[0].codes[0].frame.values[1].value", func(e *ScanTaken) { e.Units[0].Codes[0].Frame.Values[1] = FrameValue{} }},
		bad[*ScanTaken]{"units[0].codes[0].frame.values", func(e *ScanTaken) {
			f := e.Units[0].Codes[0].Frame
			for range maxList {
				f.Values = append(f.Values, f.Values[0])
			}
		}},
		bad[*ScanTaken]{"units[0].monitors[0].name", func(e *ScanTaken) { e.Units[0].Monitors[0].Name = 0 }},
		bad[*ScanTaken]{"units[0].monitors[1].name", func(e *ScanTaken) { e.Units[0].Monitors[1].Name = e.Units[0].Monitors[0].Name }},
		bad[*ScanTaken]{"units[0].sinceErase.warmUps", func(e *ScanTaken) { e.Units[0].SinceErase = &SinceErase{} }},
		bad[*ScanTaken]{"units[0].sinceErase.warmUps units[0].sinceErase.minutes", func(e *ScanTaken) { e.Units[0].SinceErase = &SinceErase{WarmUps: ptr(256), Minutes: ptr(65536)} }},
		bad[*ScanTaken]{"units[0].frames[0]", func(e *ScanTaken) { e.Units[0].Frames[0] = "7e8" }},
		bad[*ScanTaken]{"by note", func(e *ScanTaken) { e.By, e.Note = long, strings.Repeat("a", maxText+1) }},
	)
}

// All fields that do not fit are told at once, by their path in the JSON.
func TestDecodeErrors(t *testing.T) {
	for _, c := range []struct{ typ, data, want string }{
		{"key.cycled.v1", `[]`, "data"},
		{"key.cycled.v1", `null`, "data"},
		{"key.cycled.v1", ``, "data"},
		{"key.cycled.v1", `{"by":1,"note":[],"x":1,"a":1}`, "by note a x"},
		{"key.cycled.v1", `{"By":"MA"}`, "By"}, // the standard decoder would take it for "by"
		{"key.cycled.v1", `{"note":"a","Note":"b"}`, "Note"},
		{"claim.settled.v1", `{"claim":"01kj","amount":84.5,"outcome":1}`, "claim outcome amount"},
		{"repair.done.v1", `{"targets":[{"unit":"engine","code":"P0FFF00"},{"code":3}],"parts":[{"quantity":1},{"price":"1 eur"}]}`,
			"targets[0].code targets[1].code parts[0].quantity parts[1].price"},
		{"scan.taken.v1", `{"units":[{"mask":"2f","views":["stored","all"],"codes":[{},{"code":"PO302","frame":{"at":"now","values":[{"value":"88"}]}}],"sinceErase":{"warmUps":1.5},"vin":"x"},7]}`,
			"units[0].mask units[0].views[1] units[0].codes[1].code units[0].codes[1].frame.at units[0].codes[1].frame.values[0].value units[0].sinceErase.warmUps units[0].vin units[1]"},
		{"scan.taken.v1", `{"units":{}}`, "units"},
		{"scan.taken.v1", `{"units":[{"unit":"engine","reach":"answered","views":"AQI="}]}`, "units[0].views"}, // not bytes in base 64
		{"scan.taken.v1", `{"units":[{"unit":"engine","reach":"answered","monitors":[{"complete":true}]}]}`, "units[0].monitors[0].name"},
		{"feed.opened.v1", `{"key":"no base 64","continues":[]}`, "key continues"},
	} {
		kind, ok := Known().Lookup(c.typ)
		if !ok {
			t.Fatal(c.typ)
		}
		for range 5 { // the order does not depend on chance
			_, err := DecodeTyped(kind, []byte(c.data))
			if got := fields(t, err); got != c.want {
				t.Errorf("%s %s: the error names %q, want %q", c.typ, c.data, got, c.want)
				break
			}
		}
	}
	kind, _ := Known().Lookup("repair.done.v1")
	_, err := DecodeTyped(kind, []byte(`{"targets":[{"unit":"engine","code":"P0FFF00"}]}`))
	if err == nil || !strings.Contains(err.Error(), "such as P0302") {
		t.Errorf("the reason of a bad code is lost: %v", err)
	}
	for _, data := range []string{`{} {}`, `{}x`, `{"by":"a","by":"b"}`, "{\"by\":\"\xff\"}", `{"by":`} {
		if d, err := DecodeTyped(Kind{New: func() Data { return new(KeyCycled) }}, []byte(data)); err == nil {
			t.Errorf("%q was taken as %+v", data, d)
		}
	}
	if d, err := DecodeTyped(kind, []byte(" { \"component\": \"coil 2\",\n \"action\": \"replaced\" } ")); err != nil || d.(*RepairDone).Action != "replaced" {
		t.Errorf("typed JSON: %v", err)
	}
}
