package ingest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"lapwear/stages"
)

// paced is a recording of so many rows with the stamps that a function gives.
func paced(rows int, at func(i int) string) []byte {
	text := []byte("TIME,AZ,SG\n")
	for i := range rows {
		text = fmt.Appendf(text, "%s,%d,%d\n", at(i), i%7, i%5)
	}
	return text
}

// Which rates nobody records at is common practice, no source.
func TestImplausibleRates(t *testing.T) {
	steps := func(step float64) func(int) string {
		return func(i int) string { return fmt.Sprintf("%.12g", float64(i)*step) }
	}
	in := func(u string) Params {
		p := cradle
		p.Time.Scale = lengths[u]
		return p
	}
	tests := []struct {
		reason  string
		p       Params
		content []byte
		want    string
	}{
		{"1 kHz in s", in("s"), paced(100, steps(0.001)), ""},
		{"2 Hz", in("s"), paced(100, steps(0.5)), ""},
		{"1 MHz", in("us"), paced(100, steps(1)), ""},
		{"ms taken for s", in("s"), paced(100, steps(1)),
			`column "TIME": steps of 1 make a rate of 1 Hz with unit: s, outside 2 Hz to 1 MHz; unit: ms makes it 1000 Hz; correct the unit of time`},
		{"us taken for s", in("s"), paced(100, steps(500)),
			`column "TIME": steps of 500 make a rate of 0.002 Hz with unit: s, outside 2 Hz to 1 MHz; unit: us makes it 2000 Hz; correct the unit of time`},
		{"s taken for us", in("us"), paced(100, steps(0.0005)),
			`column "TIME": steps of 0.0005 make a rate of 2e+09 Hz with unit: us, outside 2 Hz to 1 MHz; unit: s makes it 2000 Hz, unit: min makes it 33.33 Hz; correct the unit of time`},
		{"numbers of rows in h", in("h"), paced(100, steps(1)),
			`column "TIME": steps of 1 make a rate of 0.0002778 Hz with unit: h, outside 2 Hz to 1 MHz; unit: ms makes it 1000 Hz; correct the unit of time`},
		{"a log of once a minute", timeless, paced(50, func(i int) string { return fmt.Sprintf("10:%02d:00", i) }),
			`column "TIME": steps of 60 make a rate of 0.01667 Hz with unit: clock, outside 2 Hz to 1 MHz; correct the time column, or name another one`},
		{"a handful of samples shows no rate", in("s"), paced(20, steps(1)), ""},
	}
	for _, tt := range tests {
		_, err := run(t, tt.p, "a.csv", tt.content)
		refusedWith(t, tt.reason, err, tt.want)
	}
}

// refusedWith wants a refusal with a reason, or none.
func refusedWith(t *testing.T, what string, err error, reason string) {
	t.Helper()
	var r *stages.Refusal
	switch {
	case reason == "" && err != nil:
		t.Errorf("%s: %v", what, err)
	case reason != "" && (!errors.As(err, &r) || r.Reason != reason):
		t.Errorf("%s: error\n%v\nwant a refusal\n%s", what, err, reason)
	}
}

// How loggers stamp packets is common practice, no source.
func TestPacketStamps(t *testing.T) {
	shared := func(n int, step float64) func(int) string {
		return func(i int) string { return fmt.Sprintf("%.12g", float64(i/n)*step) }
	}
	tests := []struct {
		reason  string
		content []byte
		want    string
	}{
		{"ten samples a packet", paced(1000, shared(10, 0.01)),
			`line 3, column "TIME": the stamp is that of the row before, as in 900 of 1000 rows: stamps of packets, or rounded ones, and not of samples, which come at 1000 Hz; state the rate that the logger is set to, as in time: {column: TIME, unit: s, rate: 1000 Hz}`},
		{"2 kHz with stamps in whole ms", paced(1000, shared(2, 0.001)),
			`line 3, column "TIME": the stamp is that of the row before, as in 500 of 1000 rows: stamps of packets, or rounded ones, and not of samples, which come at 2000 Hz; state the rate that the logger is set to, as in time: {column: TIME, unit: s, rate: 2000 Hz}`},
		{"1.5 kHz with stamps in whole ms", paced(999, func(i int) string { return fmt.Sprintf("%.3f", float64(i*2/3)/1000) }),
			`line 3, column "TIME": the stamp is that of the row before, as in 333 of 999 rows: stamps of packets, or rounded ones, and not of samples, which come at 1500 Hz; state the rate that the logger is set to, as in time: {column: TIME, unit: s, rate: 1500 Hz}`},
		{"1024 Hz with stamps in whole ms, of which one in 43 repeats", paced(4096, func(i int) string { return fmt.Sprintf("%.3f", float64(i)/1024) }),
			`line 24, column "TIME": the stamp is that of the row before, as in 96 of 4096 rows: stamps rounded to 0.001 s, and samples that come at 1024 Hz; state the rate that the logger is set to, as in time: {column: TIME, unit: s, rate: 1024 Hz}`},
		{"and with 400 samples lost", paced(4096, func(i int) string { return fmt.Sprintf("%.3f", float64(i+i/1000*100)/1024) }),
			`line 24, column "TIME": the stamp is that of the row before, as in 95 of 4096 rows: stamps rounded to 0.001 s, and samples that come at 1024 Hz; state the rate that the logger is set to, as in time: {column: TIME, unit: s, rate: 1024 Hz}`},
		{"2 kHz in packets of ten, of which one in a hundred is lost", paced(5000, func(i int) string { return fmt.Sprintf("%.4f", float64(i/10+i/1000)*0.005) }),
			`line 3, column "TIME": the stamp is that of the row before, as in 4500 of 5000 rows: stamps of packets, or rounded ones, and not of samples, which come at 2000 Hz; state the rate that the logger is set to, as in time: {column: TIME, unit: s, rate: 2000 Hz}`},
		{"a clock that stands still once is judged by the checks", paced(1000, func(i int) string { return fmt.Sprintf("%.3f", float64(max(min(i, 500), i-100))/1000) }), ""},
		{"a row that is written twice now and then, too", paced(1000, func(i int) string { return fmt.Sprintf("%.3f", float64(i-i/200)/1000) }), ""},
	}
	for _, tt := range tests {
		_, err := run(t, cradle, "a.csv", tt.content)
		refusedWith(t, tt.reason, err, tt.want)
		_, err = ReadTrack(context.Background(), write(t, "a.csv", tt.content), cradle.Time, cradle.Channels)
		refusedWith(t, "track of "+tt.reason, err, strings.Replace(tt.want, "line", `read "a.csv": line`, min(1, len(tt.want))))
	}
}
