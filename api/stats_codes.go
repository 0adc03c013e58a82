package api

import (
	"encoding/json"
	"math/big"
	"strings"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/scoring"
)

// statisticsSystem is the code system of R4's statistics (R4
// valueset-observation-statistics.html).
const statisticsSystem = "http://terminology.hl7.org/CodeSystem/observation-statistics"

// regression is the one statistic of two values: its gradient and its intercept
// are two components of the same code, told apart by their text.
const regression = "regression"

// statistic is how one code is worked out of a sample, and what unit that has:
// that of the values, its square, or none.
type statistic struct {
	display string
	of      func(scoring.Sample) *big.Rat
	unit    func(string) (text, code string)
}

func sameUnit(unit string) (text, code string) { return observation.Units[unit], unit }
func noUnit(string) (text, code string)        { return "1", "1" }

// squared is the unit of a variance. A UCUM annotation stands for one and cannot
// be raised to a power; the percent sign can.
func squared(unit string) (text, code string) {
	if unit == observation.Percent {
		return "%²", "%2"
	}
	return observation.Units[unit] + "²", "1"
}

func quantile(part, whole int64) func(scoring.Sample) *big.Rat {
	return func(s scoring.Sample) *big.Rat { return s.Quantile(part, whole) }
}

// statistics are those of one value. What each means is told at scoring.Sample.
var statistics = map[string]statistic{
	"average":     {"Average", scoring.Sample.Average, sameUnit},
	"maximum":     {"Maximum", scoring.Sample.Maximum, sameUnit},
	"minimum":     {"Minimum", scoring.Sample.Minimum, sameUnit},
	"count":       {"Count", scoring.Sample.Count, noUnit},
	"total-count": {"Total Count", scoring.Sample.Count, noUnit}, // of all scores, see statsInput.statistic
	"median":      {"Median", scoring.Sample.Median, sameUnit},
	"std-dev":     {"Standard Deviation", scoring.Sample.StandardDeviation, sameUnit},
	"sum":         {"Sum", sumOf, sameUnit},
	"variance":    {"Variance", scoring.Sample.Variance, squared},
	"20-percent":  {"20th Percentile", quantile(1, 5), sameUnit},
	"80-percent":  {"80th Percentile", quantile(4, 5), sameUnit},
	"4-lower":     {"Lower Quartile", quantile(1, 4), sameUnit},
	"4-upper":     {"Upper Quartile", quantile(3, 4), sameUnit},
	"4-dev":       {"Quartile Deviation", scoring.Sample.QuartileDeviation, sameUnit},
	"5-1":         {"1st Quintile", quantile(1, 5), sameUnit},
	"5-2":         {"2nd Quintile", quantile(2, 5), sameUnit},
	"5-3":         {"3rd Quintile", quantile(3, 5), sameUnit},
	"5-4":         {"4th Quintile", quantile(4, 5), sameUnit},
	"skew":        {"Skew", scoring.Sample.Skewness, noUnit},
	"kurtosis":    {"Kurtosis", scoring.Sample.Kurtosis, noUnit},
}

// sumOf leaves the sum of nothing out, as the other statistics of nothing are.
func sumOf(s scoring.Sample) *big.Rat {
	if s.Count().Sign() == 0 {
		return nil
	}
	return s.Sum()
}

// decimals is how many places of a statistic are written; more would claim more
// than a score has.
const decimals = 6

// component writes one statistic, or that there is none of so few values.
func component(code, text string, value *big.Rat, unit, ucumCode string) models.ObservationComponent {
	display := "Regression"
	if s, ok := statistics[code]; ok {
		display = s.display
	}
	c := models.ObservationComponent{Code: models.CodeableConcept{Coding: []models.Coding{{System: ptr(statisticsSystem), Code: &code, Display: &display}}}}
	if text != "" {
		c.Code.Text = &text
	}
	if value == nil {
		c.DataAbsentReason = &models.CodeableConcept{Coding: []models.Coding{{
			System: ptr("http://terminology.hl7.org/CodeSystem/data-absent-reason"), Code: ptr("not-applicable"), Display: ptr("Not Applicable"),
		}}, Text: ptr("Too few values, or none that differ.")}
		return c
	}
	written := json.Number(rounded(value))
	c.ValueQuantity = &models.Quantity{Value: &written, Unit: &unit, System: ptr(ucum), Code: &ucumCode}
	return c
}

// rounded writes a fraction to six places, halves away from zero, without zeros
// at its end.
func rounded(value *big.Rat) string {
	text := value.FloatString(decimals)
	text = strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
	if text == "-0" {
		return "0"
	}
	return text
}
