package events

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/oklog/ulid/v2"
	"pgregory.net/rapid"
)

func entropy(t *rapid.T, label string) (out [10]byte) {
	copy(out[:], rapid.SliceOfN(rapid.Byte(), 10, 10).Draw(t, label))
	return out
}

func TestIDOrder(t *testing.T) {
	ms := rapid.Int64Range(0, 1<<48-1)
	rapid.Check(t, func(t *rapid.T) {
		a, b := ms.Draw(t, "a"), ms.Draw(t, "b")
		x, y := NewID(time.UnixMilli(a), entropy(t, "x")), NewID(time.UnixMilli(b), entropy(t, "y"))
		if x.Time().UnixMilli() != a {
			t.Fatalf("time %d, want %d", x.Time().UnixMilli(), a)
		}
		if a < b && x.Compare(y) != -1 || a > b && x.Compare(y) != 1 || x.Compare(x) != 0 {
			t.Fatalf("%s and %s compare to %d", x, y, x.Compare(y))
		}
		if got := strings.Compare(x.String(), y.String()); got != x.Compare(y) {
			t.Fatalf("texts compare to %d, ids to %d", got, x.Compare(y))
		}
		if x.IsZero() {
			return
		}
		// The reference is oklog/ulid.
		if want := ulid.ULID(x).String(); x.String() != want {
			t.Fatalf("%s, want %s", x, want)
		}
		if back, err := ParseID(x.String()); err != nil || back != x {
			t.Fatalf("%s is read as %s, %v", x, back, err)
		}
		if !strings.HasSuffix(x.String(), x.Short()) || len(x.Short()) != 6 {
			t.Fatalf("short form %q", x.Short())
		}
	})
}

func TestParseIDIsStrict(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[0-9A-Za-z-]{24,27}`).Draw(t, "s")
		id, err := ParseID(s)
		u, ref := ulid.ParseStrict(s)
		want := ref == nil && u.String() == s && u != ulid.ULID{}
		if (err == nil) != want || want && (id != ID(u) || id.String() != s) {
			t.Fatalf("%q: %s, %v; reference %s, %v", s, id, err, u, ref)
		}
	})
	for _, s := range []string{"", anID[:25], anID + "0", strings.ToLower(anID), "8" + anID[1:], strings.Repeat("0", 26),
		"01KJPX6V0AVF0V9J80ZZJ8TNTI", "01KJPX6V0AVF0V9J80ZZJ8TNTL", "01KJPX6V0AVF0V9J80ZZJ8TNTO", "01KJPX6V0AVF0V9J80ZZJ8TNTU"} {
		if id, err := ParseID(s); err == nil {
			t.Errorf("%q was taken as %s", s, id)
		}
		if err := new(ID).UnmarshalText([]byte(s)); err == nil {
			t.Errorf("%q was decoded", s)
		}
	}
	if (ID{}).String() != "" || (ID{}).Short() != "" {
		t.Error("the zero ID has a text")
	}
	if NewID(time.UnixMilli(-5), [10]byte{1}).Time().UnixMilli() != 0 {
		t.Error("a time before 1970 is not held to 1970")
	}
	defer func() {
		if recover() == nil {
			t.Error("MustID took a bad id")
		}
	}()
	MustID("x")
}

// RFC 3339, section 5.8, gives the examples marked so.
func TestParseTime(t *testing.T) {
	for s, want := range map[string]string{
		"1985-04-12T23:20:50.52Z":        "1985-04-12T23:20:50.52Z", // RFC 3339, 5.8
		"1996-12-19T16:39:57-08:00":      "1996-12-20T00:39:57Z",    // RFC 3339, 5.8
		"2026-03-02T09:12:44Z":           "2026-03-02T09:12:44Z",
		"2026-03-02T09:12:44.000Z":       "2026-03-02T09:12:44Z",
		"2026-03-02T09:12:44.123999999Z": "2026-03-02T09:12:44.123Z",
		"9999-12-31T23:59:59.999Z":       "9999-12-31T23:59:59.999Z",
		"1970-01-01T00:00:00Z":           "1970-01-01T00:00:00Z",
	} {
		got, err := ParseTime(s)
		if err != nil || got.String() != want {
			t.Errorf("%s: got %s, %v, want %s", s, got, err, want)
		}
		if _, back := got.Std().Zone(); back != 0 {
			t.Errorf("%s: not UTC", s)
		}
		text, _ := json.Marshal(got)
		var again Time
		if err := json.Unmarshal(text, &again); err != nil || again != got {
			t.Errorf("%s: %s is read as %s, %v", s, text, again, err)
		}
		if err := json.Unmarshal([]byte(`"`+s+`"`), &again); (err == nil) != (s == want) {
			t.Errorf("%s as stored text: %v", s, err)
		}
	}
	for _, s := range []string{"", "2026-03-02", "2026-03-02 09:12:44Z", "2026-03-02T09:12:44", "2026-02-30T09:12:44Z",
		"1969-12-31T23:59:59Z", "9999-12-31T23:59:59-01:00", "02.03.2026"} {
		if got, err := ParseTime(s); err == nil {
			t.Errorf("%q was taken as %s", s, got)
		}
	}
	for _, s := range []string{"1", "{}", "null", `""`} {
		if err := new(Time).UnmarshalJSON([]byte(s)); err == nil {
			t.Errorf("%s was decoded", s)
		}
	}
	if (Time{}).String() != "" || !At(time.Time{}).IsZero() {
		t.Error("the zero Time is not unset")
	}
}

func TestFold(t *testing.T) {
	for s, want := range map[string]string{"  Engine \t ECU\n": "engine ecu", "": "", " ": "", "ÄRGER": "ärger"} {
		if got := Fold(s); got != want {
			t.Errorf("%q: got %q, want %q", s, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s")
		if once := Fold(s); Fold(once) != once {
			t.Fatalf("%q folds to %q, that to %q", s, once, Fold(once))
		}
	})
}

func TestKeys(t *testing.T) {
	for _, c := range []struct {
		d    Data
		want []Key
	}{
		{sample[*VehicleRegistered](t), []Key{{"label", "van-7"}, {"vin", "00fvan0770a000007"}}},
		{sample[*JobOpened](t), []Key{{"card", "4711"}}},
		{sample[*ScanTaken](t), []Key{{"unit", "engine"}, {"code", "p0302-00"}, {"code", "p0302"}, {"code", "p0455-00"}, {"code", "p0455"}, {"code", "9c41"},
			{"unit", "aftertreatment"}, {"code", "spn 1208 fmi 3"}, {"unit", "airbag"}, {"unit", "tailgate"}, {"unit", "radio"},
			{"unit", "gearbox"}, {"code", "p0741-07"}, {"code", "p0741"}}},
		{sample[*RepairDone](t), []Key{{"code", "p0302-00"}, {"unit", "engine"}, {"unit", "tailgate"}, {"work", "replaced coil 2"},
			{"work", "coil 2"}, {"work", "2"}, {"part", "fb-coil-2"}, {"part", "ignition coil"}, {"serial", "sn-000481"},
			{"batch", "b26-03"}, {"part", "cable"}}},
		{&RepairDone{Action: "replaced", Component: "ignition  Coil"}, []Key{{"work", "replaced ignition coil"},
			{"work", "ignition coil"}, {"work", "coil"}}},
		{&RepairDone{Action: "cleaned", Component: "a b c d e f g h i j"}, []Key{{"work", "cleaned a b c d e f g h i j"},
			{"work", "a b c d e f g h i j"}, {"work", "b c d e f g h i j"}, {"work", "c d e f g h i j"}, {"work", "d e f g h i j"},
			{"work", "e f g h i j"}, {"work", "f g h i j"}, {"work", "g h i j"}, {"work", "h i j"}}},
		{&CodesErased{Units: []UnitErase{{Unit: "Engine"}, {Unit: "brakes"}}}, []Key{{"unit", "engine"}, {"unit", "brakes"}}},
		{&UnitNamed{Known: "7E8", Unit: "engine"}, []Key{{"unit", "7e8"}, {"unit", "engine"}}},
		{sample[*ClaimFiled](t), []Key{{"claim", "fb-26-031"}, {"serial", "sn-000481"}}},
		{sample[*KeyCycled](t), nil},
		{&Unknown{Typ: "x.y.v1"}, nil},
	} {
		got := Keys(c.d)
		if len(got) != len(c.want) {
			t.Errorf("%s: got %v, want %v", c.d.Type(), got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: got %v, want %v", c.d.Type(), got[i], c.want[i])
			}
		}
	}
}

func TestRecorded(t *testing.T) {
	repair := &RepairDone{Action: "Replaced", Component: "ignition  Coil", Parts: []Part{{Name: "Cable", Number: "FC-2210"}}}
	for _, c := range []struct {
		k    Key
		want string
	}{
		{Key{"work", "coil"}, "Replaced ignition Coil"},
		{Key{"work", "replaced ignition coil"}, "Replaced ignition Coil"},
		{Key{"part", "fc-2210"}, "FC-2210"},
		{Key{"part", "cable"}, "Cable"},
		{Key{"batch", "cable"}, ""},
	} {
		if got := Recorded(repair, c.k); got != c.want {
			t.Errorf("%v: got %q, want %q", c.k, got, c.want)
		}
	}
	for _, d := range []Data{sample[*ScanTaken](t), sample[*RepairDone](t), sample[*VehicleRegistered](t), sample[*ClaimFiled](t)} {
		for _, k := range Keys(d) {
			if Recorded(d, k) == "" {
				t.Errorf("%s: nothing is recorded for %v", d.Type(), k)
			}
		}
	}
}
