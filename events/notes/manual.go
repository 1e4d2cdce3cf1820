package notes

// Manual is the description of the typed scan note, for "mendbook help notes". It
// begins the package comment too.
const Manual = `A scan note says what the control units of a vehicle answered, in plain words.

    odometer 214880 km
    at 2026-03-02 09:05          # or 2026-03-02T09:05:00Z; left out: now
    ignition on                  # on, off
    engine off                   # running, off
    battery 12.4 V
    lamp engine flashing, under load
    by Ida
    note smells of fuel

    unit engine at 7E8
      P0302 present
      P0455 stored count 3
      P0420 permanent
      frame P0302 odometer 214801 km, engine-speed 850 1/min
      since erase warm-ups 3, distance 12 km, minutes 20
      monitor catalyst incomplete
      lamp commanded on
    unit tailgate silent
    unit brakes refused 22
    unit heater
      no codes
    unit gearbox
      service 19 02
      mask FF
      available 7F
      P0741-07 status 2F
      9C41 stored                # a maker's own code, as the unit printed it
    unit retarder
      views active, previously active
      SPN 1208 FMI 3 stored

One thing a line. Indentation and capitals in keywords do not matter. A # at the
start of a line or after a space begins a remark. Any text, name or code may stand
in double quotes, written as in JSON: "valve #2". It must where it would read
otherwise: a # after a space, a name such as "silent", a code without a digit.

Of the vehicle: odometer, at, ignition, engine, battery, by once each; lamp NAME
on, off or flashing, then a comma and when it was seen; note as often as needed.

A unit: its name, its address after "at", and how it was reached where it did not
simply answer: silent (asked, nothing came), refused (with the response code if
seen), skipped (not asked), truncated (the answer was cut). Below a unit that
answered stand its codes, or "no codes". The same unit may stand twice with two
services: two readings.

A code: present, pending, stored, permanent, or "listed" where the unit gave no
word; status and two hex digits; count and a number. "stored permanent" is one line.
  views       the lists read: stored, pending, permanent, active, previously active,
              supported, or none; joined by commas or +. Without this line: stored,
              and pending or permanent where a code says so; with a service or mask: none.
              Only under "views supported" does a code stand alone.
  service, mask, available    how it was asked, and the status bits it keeps
  frame       the freeze frame of a code: at, odometer, then NAME VALUE UNIT, ...
  monitor     a readiness monitor: complete or incomplete
  since erase warm-ups, distance, minutes: the unit's own counters
  address, software, vin, lamp commanded on or off, raw (an answer in hex)

A unit that is silent, refused or skipped has not been shown to be free of codes.
`
