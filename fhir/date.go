package fhir

import (
	"errors"
	"time"

	"tidemark.example/tidemark/fhir/schema"
)

// Precision says how much of a dateTime was given.
type Precision uint8

// The precisions of R4 datatypes.html#dateTime.
const (
	ToYear Precision = iota + 1
	ToMonth
	ToDay
	ToSecond
)

// DateTime is a FHIR dateTime or date with the precision it was given in. A
// time of day has its offset in Time's location; a bare date has UTC.
type DateTime struct {
	Time      time.Time
	Precision Precision
}

var errDate = errors.New("not a FHIR date or dateTime")

// ParseDateTime reads a FHIR date, dateTime or instant exactly by the grammar
// of R4 datatypes.html: YYYY, YYYY-MM, YYYY-MM-DD or
// YYYY-MM-DDThh:mm:ss[.s...](Z|+hh:mm|-hh:mm).
func ParseDateTime(text []byte) (DateTime, error) {
	p := dateParser{text: text}
	year, month, day := p.digits(4), 1, 1
	precision := ToYear
	if p.take('-') {
		month, precision = p.digits(2), ToMonth
		if p.take('-') {
			day, precision = p.digits(2), ToDay
		}
	}
	if year == 0 || month < 1 || month > 12 || day < 1 || day > daysIn(year, month) {
		p.bad = true
	}
	location := time.UTC
	var hour, minute, second, nanos int
	if precision == ToDay && p.take('T') {
		precision = ToSecond
		hour, minute, second, nanos = p.clock()
		location = p.zone()
	}
	if p.bad || p.at != len(text) {
		return DateTime{}, errDate
	}
	// A leap second (60) is allowed by R4 and becomes the next minute.
	return DateTime{time.Date(year, time.Month(month), day, hour, minute, second, nanos, location), precision}, nil
}

// Range gives the first and the last instant that the date can mean; a date
// without a time of day is taken in UTC.
func (d DateTime) Range() (low, high time.Time) {
	low = d.Time
	switch d.Precision {
	case ToYear:
		high = low.AddDate(1, 0, 0)
	case ToMonth:
		high = low.AddDate(0, 1, 0)
	case ToDay:
		high = low.AddDate(0, 0, 1)
	default:
		if low.Nanosecond() != 0 {
			return low, low
		}
		high = low.Add(time.Second)
	}
	return low, high.Add(-time.Millisecond)
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

type dateParser struct {
	text []byte
	at   int
	bad  bool
}

func (p *dateParser) take(c byte) bool {
	if p.at < len(p.text) && p.text[p.at] == c {
		p.at++
		return true
	}
	return false
}

func (p *dateParser) need(c byte) {
	if !p.take(c) {
		p.bad = true
	}
}

func (p *dateParser) digits(n int) int {
	value := 0
	for range n {
		if p.at >= len(p.text) || p.text[p.at]-'0' > 9 {
			p.bad = true
			return 0
		}
		value = value*10 + int(p.text[p.at]-'0')
		p.at++
	}
	return value
}

func (p *dateParser) clock() (hour, minute, second, nanos int) {
	hour = p.digits(2)
	p.need(':')
	minute = p.digits(2)
	p.need(':')
	second = p.digits(2)
	if p.take('.') {
		scale := 100_000_000
		start := p.at
		for p.at < len(p.text) && p.text[p.at]-'0' <= 9 {
			nanos += int(p.text[p.at]-'0') * scale
			scale /= 10
			p.at++
		}
		p.bad = p.bad || p.at == start
	}
	p.bad = p.bad || hour > 23 || minute > 59 || second > 60
	return hour, minute, second, nanos
}

// zone reads Z or an offset up to 14 hours.
func (p *dateParser) zone() *time.Location {
	if p.take('Z') {
		return time.UTC
	}
	sign := 1
	if p.take('-') {
		sign = -1
	} else {
		p.need('+')
	}
	hours := p.digits(2)
	p.need(':')
	minutes := p.digits(2)
	if hours > 14 || minutes > 59 || hours == 14 && minutes != 0 {
		p.bad = true
	}
	if p.bad {
		return time.UTC
	}
	return time.FixedZone("", sign*(hours*3600+minutes*60))
}

// checkDate says what is wrong with the text of a date or time.
func checkDate(kind schema.Kind, text []byte) string {
	if kind == schema.Time {
		p := dateParser{text: text}
		if p.clock(); p.bad || p.at != len(text) {
			return "It is not a time of day: hh:mm:ss."
		}
		return ""
	}
	d, err := ParseDateTime(text)
	switch {
	case kind == schema.Date && (err != nil || d.Precision == ToSecond):
		return "It is not a date: YYYY, YYYY-MM or YYYY-MM-DD of the calendar."
	case kind == schema.Instant && (err != nil || d.Precision != ToSecond):
		return "It is not an instant: YYYY-MM-DDThh:mm:ss with Z or an offset."
	case err != nil:
		return "It is not a dateTime: YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with Z or an offset."
	}
	return ""
}
