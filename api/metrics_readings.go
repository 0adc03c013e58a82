package api

import (
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"tidemark.example/tidemark/api/auth"
)

// readings are gauges that others keep the values of, which are asked for when
// metrics are scraped.
type readings struct {
	described []*prometheus.Desc

	mu sync.Mutex
	of []reading
}

// reading is one series; ok is false while its value is not known.
type reading struct {
	desc   *prometheus.Desc
	value  func() (value float64, ok bool)
	labels []string
}

// Describe implements prometheus.Collector.
func (r *readings) Describe(ch chan<- *prometheus.Desc) {
	for _, each := range r.described {
		ch <- each
	}
}

// Collect implements prometheus.Collector.
func (r *readings) Collect(ch chan<- prometheus.Metric) {
	r.mu.Lock()
	of := slices.Clone(r.of)
	r.mu.Unlock()
	for _, each := range of {
		if value, ok := each.value(); ok {
			ch <- prometheus.MustNewConstMetric(each.desc, prometheus.GaugeValue, value, each.labels...)
		}
	}
}

func (r *readings) add(desc *prometheus.Desc, value func() (float64, bool), labels ...string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.of = append(r.of, reading{desc, value, labels})
}

// saturation are the readings of the program: how full it is, and how old what
// it proves itself and others by.
type saturation struct {
	readings                 *readings
	busy, most, diskFree     *prometheus.Desc
	certificate, ours        *prometheus.Desc
	keys, keysFailing, fresh *prometheus.Desc
}

func (m *Metrics) newSaturation() {
	m.saturation = saturation{
		busy:        m.read("tidemark_writeback_requests_in_flight", "Requests to a target that are under way.", "target"),
		most:        m.read("tidemark_writeback_requests_in_flight_limit", "Requests to a target that may be under way at once.", "target"),
		diskFree:    m.read("tidemark_store_disk_free_bytes", "What may still be written to the disk of the database, where that is a file and the system tells."),
		certificate: m.read("tidemark_certificate_expiry_timestamp_seconds", "When the certificate of the FHIR listener ends, as a Unix time; only with TLS."),
		ours:        m.read("tidemark_writeback_certificate_expiry_timestamp_seconds", "When our certificate toward a target ends, as a Unix time; only where the target is shown one.", "target"),
		keys:        m.read("tidemark_auth_issuer_keys", "Keys of an issuer that its tokens are verified by now.", "issuer"),
		keysFailing: m.read("tidemark_auth_issuer_keys_failing", "1 if the last attempt to get an issuer's keys failed.", "issuer"),
		fresh:       m.read("tidemark_auth_issuer_keys_fresh_until_timestamp_seconds", "Until when an issuer's keys may be used without asking again, as a Unix time; they serve an hour longer while it does not answer.", "issuer"),
	}
	m.readings = &readings{described: []*prometheus.Desc{m.busy, m.most, m.diskFree, m.certificate, m.ours, m.keys, m.keysFailing, m.fresh}}
	m.Registry.MustRegister(m.readings)
}

// Slots says how to learn of how many requests to a target are under way, and
// how many may be.
func (m *Metrics) Slots(target string, busy func() int, most int) {
	m.readings.add(m.busy, func() (float64, bool) { return float64(busy()), true }, target)
	m.readings.add(m.most, func() (float64, bool) { return float64(most), true }, target)
}

// Disk says how to learn how much room the disk of the database has.
func (m *Metrics) Disk(free func() (bytes uint64, known bool)) {
	m.readings.add(m.diskFree, func() (float64, bool) {
		bytes, known := free()
		return float64(bytes), known
	})
}

// Certificate says how to learn when the certificate in use ends.
func (m *Metrics) Certificate(ends func() time.Time) {
	m.readings.add(m.certificate, func() (float64, bool) { return float64(ends().Unix()), true })
}

// ClientCertificate says how to learn when our certificate toward a target ends;
// zero is for none.
func (m *Metrics) ClientCertificate(target string, ends func() time.Time) {
	m.readings.add(m.ours, func() (float64, bool) {
		at := ends()
		return float64(at.Unix()), !at.IsZero()
	}, target)
}

// IssuerKeys says how to learn how the keys of the issuers stand.
func (m *Metrics) IssuerKeys(standing func() []auth.IssuerKeys) {
	for i, each := range standing() {
		read := func(value func(auth.IssuerKeys) float64) func() (float64, bool) {
			return func() (float64, bool) { return value(standing()[i]), true }
		}
		m.readings.add(m.keys, read(func(k auth.IssuerKeys) float64 { return float64(k.Keys) }), each.Issuer)
		m.readings.add(m.keysFailing, read(func(k auth.IssuerKeys) float64 {
			if k.Failing {
				return 1
			}
			return 0
		}), each.Issuer)
		m.readings.add(m.fresh, func() (float64, bool) {
			until := standing()[i].Fresh
			return float64(until.Unix()), !until.IsZero()
		}, each.Issuer)
	}
}
