package api

import (
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Definition is one metric as its reference describes it.
type Definition struct {
	Name, Type, Help string
	Labels           []string
}

// definitions make metrics and remember what they made, which is how the
// reference knows of all: a registry does not tell the types of those that have
// no value yet.
type definitions struct {
	registry *prometheus.Registry
	all      []Definition
}

// sorted are the definitions in order of their names.
func (d *definitions) sorted() []Definition {
	return slices.SortedFunc(slices.Values(d.all), func(a, b Definition) int { return strings.Compare(a.Name, b.Name) })
}

func (d *definitions) add(name, kind, help string, labels []string) {
	d.all = append(d.all, Definition{Name: name, Type: kind, Help: help, Labels: labels})
}

// counter makes and registers a counter.
func (d *definitions) counter(name, help string, labels ...string) *prometheus.CounterVec {
	d.add(name, "counter", help, labels)
	made := prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, labels)
	d.registry.MustRegister(made)
	return made
}

// gauge makes and registers a gauge.
func (d *definitions) gauge(name, help string, labels ...string) *prometheus.GaugeVec {
	d.add(name, "gauge", help, labels)
	made := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: name, Help: help}, labels)
	d.registry.MustRegister(made)
	return made
}

// What a native histogram may take: buckets that are a tenth wider than the one
// before (the finest that the library's documentation suggests for most uses),
// and so many of them that a series stays small.
const (
	nativeFactor     = 1.1
	nativeMost       = 100
	nativeResetAfter = time.Hour
)

// histogram makes and registers a histogram, native and with the buckets of the
// classic ones: which of them is scraped is for the Prometheus server to say.
func (d *definitions) histogram(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
	d.add(name, "histogram", help, labels)
	made := prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name: name, Help: help, Buckets: buckets,
		NativeHistogramBucketFactor: nativeFactor, NativeHistogramMaxBucketNumber: nativeMost, NativeHistogramMinResetDuration: nativeResetAfter,
	}, labels)
	d.registry.MustRegister(made)
	return made
}

// read describes a gauge that is read elsewhere when metrics are scraped.
func (d *definitions) read(name, help string, labels ...string) *prometheus.Desc {
	d.add(name, "gauge", help, labels)
	return prometheus.NewDesc(name, help, labels, nil)
}

// shipped is the failure of shipping alone, which exists only where there is
// something to ship to.
func (d *definitions) unregisteredCounter(name, help string) prometheus.Counter {
	d.add(name, "counter", help, nil)
	return prometheus.NewCounter(prometheus.CounterOpts{Name: name, Help: help})
}
