package verify

import (
	"strings"
	"testing"

	"mendbook/events"
)

// One case for each row of the table of cautions, by each way it is called for.
// That a word or a code family calls for it is common practice.
func TestCautions(t *testing.T) {
	tests := map[string][]func(b *book){
		"restraint systems": {
			func(b *book) { b.scan(unit("airbag", listed("9C41", "stored"))) },
			func(b *book) { b.scan(unit("door", listed("B0012-13", "stored"))) },
		},
		"high voltage": {
			func(b *book) { b.scan(unit("traction battery", listed("9C41", "stored"))) },
			func(b *book) { b.scan(unit("engine", listed("P0A0D", "stored"))) },
			func(b *book) { b.add(&events.RepairDone{Action: "replaced", Component: "inverter coolant pump"}) },
		},
		"brakes": {
			func(b *book) { b.scan(unit("ABS", listed("9C41", "stored"))) },
			func(b *book) { b.scan(unit("wheel", listed("C0035", "stored"))) },
			func(b *book) {
				b.add(&events.ScanTaken{Lamps: []events.Lamp{{Name: "brake", State: "on"}}, Units: []events.UnitReading{unit("door")}})
			},
		},
		"steering": {
			func(b *book) { b.scan(unit("power-steering", listed("9C41", "stored"))) },
			func(b *book) { b.scan(unit("column", listed("C0545", "stored"))) },
		},
		"fuel": {
			func(b *book) { b.add(&events.RepairDone{Action: "resealed", Component: "injector 3"}) },
			func(b *book) { b.scan(unit("engine", listed("P0455", "stored"))) },
			func(b *book) { b.add(&events.MeasureTaken{Name: "fuel pressure", Value: measure("3.1 bar")}) },
		},
		"leaks":                {func(b *book) { b.scan(unit("pump", listed("B1A12-7A", "stored"))) }},
		"road test":            {func(b *book) { b.drive("3 km", 5) }},
		"emissions inspection": {func(b *book) { b.erase("door") }},
	}
	plain := newBook(t)
	plain.scan(unit("door"))
	if got := plain.judge().Cautions; len(got) != 0 {
		t.Errorf("cautions where nothing calls for one: %v", got)
	}
	for _, c := range cautionTable() {
		cases := tests[c.about]
		if len(cases) == 0 {
			t.Errorf("no test for the caution about %s", c.about)
		}
		for i, do := range cases {
			b := newBook(t)
			do(b)
			if got := strings.Join(b.judge().Cautions, "\n"); !strings.Contains(got, c.text) {
				t.Errorf("%s, case %d: not among %q", c.about, i, got)
			}
		}
		// Words only, no figure that a maker sets.
		if strings.ContainsAny(c.text, "0123456789") {
			t.Errorf("%s: the words hold a figure", c.about)
		}
	}
}

func TestPolicy(t *testing.T) {
	b := newBook(t)
	set := func(name, value string) { b.add(&events.PolicySet{Name: name, Value: value}) }
	set("drive-distance", "20 mi")
	set("drive-distance", "25 km")
	set("accept", "tested, monitored")
	set("accept", "nonsense")
	set("colour", "blue")
	p, warnings := PolicyFrom(b.evs)
	if p.DriveDistance.String() != "25 km" || len(warnings) != 2 {
		t.Errorf("%s, warnings %q", p.DriveDistance, warnings)
	}
	for _, s := range SettingNames() {
		if SettingDoc(s) == "" {
			t.Errorf("setting %s has no words", s)
		}
	}
	for _, v := range DefaultPolicy().Values() {
		p := Policy{}
		if err := p.Set(v.Name, v.Value); err != nil {
			t.Errorf("the default of %s cannot be set: %v", v.Name, err)
		}
	}
	for name, bad := range map[string]string{"time-zone": "Mars/Base", "currency": "euro", "drive-minutes": "-1",
		"drive-distance": "ten", "accept": "", "window-days": "0", "clock-tolerance": "61"} {
		p := DefaultPolicy()
		if err := p.Set(name, bad); err == nil || !strings.HasPrefix(err.Error(), name+": ") {
			t.Errorf("%s=%q: error %v, want one that names the setting", name, bad, err)
		}
	}
}
