package cli

// demoTelling is the card of the demo's most telling job: it has good, bad and
// open verdicts, and what stood at its closing stands no longer.
const demoTelling = "FB-1041"

// demoStep is one command of the demo: when it is given (UTC), its words, and what
// it reads from the standard input.
type demoStep struct {
	at   string
	args []string
	in   string
}

// depot is what happens at the Fennbrook Depot, which is invented, as are its
// people, vehicles and numbers. The VINs pass the check digit and begin with 0,
// which is no maker's.
func depot() []demoStep {
	do := func(at string, args ...string) demoStep { return demoStep{at: at, args: args} }
	scan := func(at, vehicle, note string) demoStep {
		return demoStep{at: at, args: []string{"scan", vehicle, "-"}, in: note}
	}
	return []demoStep{
		do("2026-03-02 07:30", "init", "--station", "depot"),
		do("2026-03-02 07:40", "vehicle", "add", "van-7", "--vin", "0FBVAN0785X000007", "--model", "panel van", "--year", "2019", "--fuel", "petrol"),
		do("2026-03-02 07:42", "vehicle", "add", "bus-3", "--vin", "0FBBUS0335X000003", "--model", "city bus", "--year", "2016", "--fuel", "petrol"),
		do("2026-03-02 07:44", "vehicle", "add", "tipper-2", "--vin", "0FBTPR0275X000002", "--model", "tipper", "--year", "2014", "--fuel", "diesel"),

		// A coil, a guess at the mixture, and a unit that does not answer.
		do("2026-03-02 08:00", "job", "open", "van-7", "--card", "FB-1041", "--odometer", "214880 km",
			"--complaint", "shakes when cold, tailgate dead", "--lamp", "engine on", "--by", "Ida"),
		scan("2026-03-02 08:20", "van-7", `odometer 214880 km
ignition on
engine off
battery 12.4 V
lamp engine on
by Ida
unit engine at 7E8
  service 19 02
  mask FF
  available FF
  P0302-00 status 2F
  P0171-00 status 2F
unit gearbox
  P0741 stored
unit tailgate silent
`),
		do("2026-03-02 09:10", "measure", "van-7", "compression, cylinder 2", "11.8 bar", "--low", "10", "--source", "depot rule", "--unit", "engine", "--by", "Ida"),
		do("2026-03-02 10:00", "repair", "van-7", "replaced", "ignition coil 2", "--for", "engine/P0302-00",
			"--part", "name=ignition coil,number=FC-2210,serial=A77,price=84.50 EUR", "--hours", "0.7", "--by", "Ida"),
		do("2026-03-02 10:40", "repair", "van-7", "replaced", "intake hose", "--for", "engine/P0171-00",
			"--part", "name=intake hose,number=FH-0031,price=31.20 EUR", "--hours", "0.5", "--by", "Ida"),
		do("2026-03-02 11:20", "repair", "van-7", "cleaned", "tailgate connector", "--for", "tailgate/no answer", "--hours", "0.4", "--by", "Ida"),
		do("2026-03-02 11:40", "erase", "van-7", "engine", "gearbox", "--service", "14", "--group", "FFFFFF", "--by", "Ida"),
		do("2026-03-02 13:30", "drive", "van-7", "--distance", "14 km", "--minutes", "22", "--cold-start", "--where", "mixed", "--by", "Ida"),
		scan("2026-03-02 14:00", "van-7", `odometer 214895 km
lamp engine off
by Ida
unit engine at 7E8
  service 19 02
  mask FF
  available FF
  P0171-00 status 50
unit gearbox
  no codes
unit tailgate
  B1A12-13 stored
`),
		do("2026-03-02 16:30", "job", "close", "FB-1041", "--odometer", "214895 km", "--handed-over", "van, two keys, old coil",
			"--sign-off", "open", "--words", "handed over unproven, driver told to watch the engine lamp", "--by", "Ida"),

		// A monitor needs its time: unproven on the first day, cleared on the second.
		do("2026-03-09 07:50", "job", "open", "bus-3", "--card", "FB-1044", "--odometer", "402310 km",
			"--complaint", "engine lamp on", "--lamp", "engine on", "--by", "Tomas"),
		scan("2026-03-09 08:05", "bus-3", `odometer 402310 km
lamp engine on
by Tomas
unit engine at 7E8
  service 03 07 0A 01
  views stored, pending, permanent
  P0420 stored
  monitor catalyst complete
  lamp commanded on
unit brakes refused 22
`),
		do("2026-03-09 11:00", "repair", "bus-3", "replaced", "catalyst", "--for", "engine/P0420",
			"--part", "name=catalyst,number=FK-9004,serial=K2231,price=640.00 EUR", "--hours", "2.5", "--labour", "210 EUR", "--by", "Tomas"),
		do("2026-03-09 11:10", "erase", "bus-3", "engine", "--service", "04", "--by", "Tomas"),
		do("2026-03-09 13:00", "drive", "bus-3", "--distance", "12 km", "--minutes", "20", "--where", "town", "--by", "Tomas"),
		scan("2026-03-09 13:30", "bus-3", `odometer 402322 km
lamp engine off
by Tomas
unit engine at 7E8
  service 03 07 0A 01
  views stored, pending, permanent
  no codes
  monitor catalyst incomplete
  lamp commanded off
unit brakes refused 22
`),
		do("2026-03-10 06:30", "drive", "bus-3", "--distance", "38 km", "--minutes", "55", "--cold-start", "--where", "open road", "--by", "Tomas"),
		scan("2026-03-10 08:00", "bus-3", `odometer 402360 km
lamp engine off
by Tomas
unit engine at 7E8
  service 03 07 0A 01
  views stored, pending, permanent
  no codes
  monitor catalyst complete
  lamp commanded off
unit brakes refused 22
`),
		do("2026-03-10 09:00", "job", "close", "FB-1044", "--odometer", "402360 km", "--handed-over", "bus, one key", "--by", "Tomas"),

		// The first guess does not hold, the second repair does.
		do("2026-03-23 07:30", "job", "open", "tipper-2", "--card", "FB-1047", "--odometer", "188402 km",
			"--complaint", "no power uphill", "--by", "Ida"),
		scan("2026-03-23 07:50", "tipper-2", `odometer 188402 km
by Ida
unit engine
  service 19 02
  mask FF
  available FF
  P0299-00 status 2F
unit retarder
  views active, previously active
  SPN 1208 FMI 3 stored
`),
		do("2026-03-23 09:00", "repair", "tipper-2", "cleaned", "boost pressure sensor", "--for", "engine/P0299-00", "--hours", "0.5", "--by", "Ida"),
		do("2026-03-23 09:10", "erase", "tipper-2", "engine", "--service", "14", "--group", "FFFFFF", "--by", "Ida"),
		do("2026-03-23 10:00", "drive", "tipper-2", "--distance", "16 km", "--minutes", "25", "--where", "mixed", "--by", "Ida"),
		scan("2026-03-23 10:40", "tipper-2", `odometer 188418 km
by Ida
unit engine
  service 19 02
  mask FF
  available FF
  P0299-00 status 2F
`),
		do("2026-03-24 10:00", "repair", "tipper-2", "replaced", "charge air hose", "--for", "engine/P0299-00",
			"--part", "name=charge air hose,number=FH-0112,price=58.90 EUR", "--hours", "1.2", "--by", "Ida"),
		do("2026-03-24 10:10", "erase", "tipper-2", "engine", "--service", "14", "--group", "FFFFFF", "--by", "Ida"),
		do("2026-03-24 11:00", "drive", "tipper-2", "--distance", "21 km", "--minutes", "30", "--where", "open road", "--by", "Ida"),
		scan("2026-03-24 11:50", "tipper-2", `odometer 188440 km
by Ida
unit engine
  service 19 0A
  available FF
  P0299-00 status 00
unit retarder
  views active, previously active
  SPN 1208 FMI 3 stored
`),
		do("2026-03-24 15:00", "job", "close", "FB-1047", "--odometer", "188440 km", "--handed-over", "tipper, one key",
			"--sign-off", "open", "--words", "retarder to be looked at on the next visit", "--by", "Ida"),

		// A new part is no proof: the wheel sensor code is there again.
		do("2026-04-07 08:00", "job", "open", "bus-3", "--card", "FB-1052", "--odometer", "404120 km",
			"--complaint", "brake lamp at walking pace", "--lamp", "brake on", "--by", "Tomas"),
		scan("2026-04-07 08:15", "bus-3", `odometer 404120 km
lamp brake on
by Tomas
unit brakes
  C0035 present
  C0040 stored
unit engine at 7E8
  service 03 07 0A 01
  views stored, pending, permanent
  no codes
  monitor catalyst complete
`),
		do("2026-04-07 10:00", "repair", "bus-3", "replaced", "front left wheel sensor", "--for", "brakes/C0035",
			"--part", "name=wheel sensor,number=FW-0440,batch=26-03,price=47.00 EUR", "--hours", "1", "--by", "Tomas"),
		do("2026-04-07 10:10", "erase", "bus-3", "brakes", "--by", "Tomas"),
		do("2026-04-07 10:30", "key", "bus-3", "--by", "Tomas"),
		do("2026-04-07 11:00", "drive", "bus-3", "--distance", "3 km", "--minutes", "9", "--where", "town", "--by", "Tomas"),
		scan("2026-04-07 11:20", "bus-3", `odometer 404123 km
lamp brake on
by Tomas
unit brakes
  C0035 present
unit engine at 7E8
  service 03 07 0A 01
  views stored, pending, permanent
  no codes
  monitor catalyst complete
`),

		// The coil was not all: the van is back after 49 days.
		do("2026-04-20 07:45", "job", "open", "van-7", "--card", "FB-1066", "--odometer", "217512 km",
			"--complaint", "shakes again", "--lamp", "engine flashing", "--by", "Ida"),
		scan("2026-04-20 08:00", "van-7", `odometer 217512 km
lamp engine flashing, under load
by Ida
unit engine at 7E8
  service 19 02
  mask FF
  available FF
  P0302-00 status 2F
  P0171-00 status 50
unit gearbox
  no codes
unit tailgate
  no codes
`),
		do("2026-04-20 10:30", "repair", "van-7", "replaced", "injector 2", "--for", "engine/P0302-00",
			"--part", "name=injector,number=FJ-0077,serial=J5510,price=129.00 EUR", "--hours", "1.8", "--by", "Tomas"),
		do("2026-04-20 10:45", "erase", "van-7", "--all", "--service", "14", "--group", "FFFFFF", "--by", "Tomas"),
		do("2026-04-20 13:00", "drive", "van-7", "--distance", "18 km", "--minutes", "26", "--cold-start", "--where", "mixed", "--by", "Tomas"),
		scan("2026-04-20 13:40", "van-7", `odometer 217530 km
lamp engine off
by Tomas
unit engine at 7E8
  service 19 0A
  available FF
  P0302-00 status 00
  P0171-00 status 00
unit gearbox
  no codes
unit tailgate
  no codes
`),
		do("2026-04-20 16:00", "job", "close", "FB-1066", "--odometer", "217530 km", "--handed-over", "van, two keys, old injector", "--by", "Tomas"),

		// Work without proof: nobody has scanned since.
		do("2026-05-04 08:00", "job", "open", "tipper-2", "--card", "FB-1071", "--odometer", "190077 km",
			"--complaint", "retarder weak", "--by", "Ida"),
		scan("2026-05-04 08:20", "tipper-2", `odometer 190077 km
by Ida
unit retarder
  views active, previously active
  SPN 1208 FMI 3 present
unit engine
  service 19 02
  mask FF
  available FF
  no codes
`),
		do("2026-05-04 11:00", "repair", "tipper-2", "replaced", "retarder pressure sensor", "--for", "retarder/SPN1208/3",
			"--part", "name=pressure sensor,number=FP-0610,price=92.00 EUR", "--hours", "1.5", "--by", "Ida"),
	}
}
