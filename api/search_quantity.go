package api

import (
	"math"
	"math/big"
	"regexp"
	"strings"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// The numbers that an Observation is indexed by: its own value as value|UNIT,
// each component as component|UNIT|CODE. So one row tells a component's code,
// unit and value, and what is asked of them together is asked of the same one.
const (
	valueMark     = "value|"
	componentMark = "component|"
)

const ucum = "http://unitsofmeasure.org"

// anyOf asks for a number of one of the parameters, whatever it is.
func anyOf(params []string) []store.NumberRange {
	return ranges(params, store.NumberRange{Low: math.MinInt64, High: math.MaxInt64})
}

// ranges asks for the same range of each of the parameters.
func ranges(params []string, bounds store.NumberRange) []store.NumberRange {
	all := make([]store.NumberRange, len(params))
	for i, param := range params {
		all[i] = bounds
		all[i].Param = param
	}
	return all
}

// ofValue and ofComponents name the numbers of a value or of components with one
// of the units; of any component where codes is nil.
func ofValue(units []string) []string {
	var params []string
	for _, unit := range units {
		params = append(params, valueMark+unit)
	}
	return params
}

func ofComponents(units, codes []string) []string {
	var params []string
	for _, unit := range units {
		if codes == nil {
			params = append(params, componentMark+unit+"|")
		}
		for _, code := range codes {
			params = append(params, componentMark+unit+"|"+code)
		}
	}
	return params
}

// allUnits are those of our quantities.
var allUnits = []string{observation.Score, observation.Percent, observation.Palms}

// componentMarks are the numbers of every component there is.
var componentMarks = ofComponents(append([]string{observation.Yes}, allUnits...), nil)

// quantity is one value of a quantity parameter: a range in fiftieths, and the
// units it holds for, none if the unit asked for is not one of ours.
type quantity struct {
	bounds store.NumberRange
	units  []string
}

// number is a decimal as R4 writes it (datatypes.html).
var number = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]{1,2})?$`)

// maxNumber is how long a number may be written.
const maxNumber = 40

// parseQuantity reads [prefix]number, or [prefix]number|system|code (R4
// search.html 3.1.1.4.13).
func parseQuantity(name, value string) (quantity, error) {
	parts := splitEscaped(value, '|')
	if len(parts) != 1 && len(parts) != 3 {
		return quantity{}, badParam(name, "a number, or number|system|code")
	}
	text, prefix := strings.ReplaceAll(parts[0], " ", "+"), store.Equal
	if len(text) > 2 && text[0] >= 'a' && text[0] <= 'z' {
		prefix, text = store.Prefix(text[:2]), text[2:]
	}
	if len(text) > maxNumber || !number.MatchString(text) {
		return quantity{}, badParam(name, "a number such as 42 or 41.50, with a prefix such as ge before it if wanted")
	}
	bounds, ok := numberRange(prefix, text)
	if !ok {
		return quantity{}, badParam(name, "a number with one of the prefixes eq, ne, gt, lt, ge, le, sa, eb, ap")
	}
	q := quantity{bounds: bounds, units: allUnits}
	if len(parts) == 3 {
		q.units = unitsOf(unescape(parts[1]), unescape(parts[2]))
	}
	return q, nil
}

// unitsOf finds the units asked for: by their UCUM code, or without a system
// also by the text beside it; all of the system without a code.
func unitsOf(system, code string) []string {
	var found []string
	for _, unit := range allUnits {
		switch {
		case system != "" && system != ucum:
		case code == "" || code == unit || system == "" && code == observation.Units[unit]:
			found = append(found, unit)
		}
	}
	return found
}

// numberRange gives the fiftieths that a number with a prefix asks for; ok is
// false for a prefix that there is not. What is searched has no precision, so sa
// is gt, and eb is lt.
func numberRange(prefix store.Prefix, text string) (store.NumberRange, bool) {
	value, half := readNumber(text)
	r := store.NumberRange{Low: math.MinInt64, High: math.MaxInt64}
	fifty := new(big.Rat).SetInt64(scoring.PointsPerUnit)
	scaled := func(by func(z, x, y *big.Rat) *big.Rat, slack *big.Rat) *big.Rat {
		z := by(new(big.Rat), value, slack)
		return z.Mul(z, fifty)
	}
	exact := new(big.Rat).Mul(value, fifty)
	switch prefix {
	case store.Equal, store.NotEqual:
		r.Low = ceiling(scaled((*big.Rat).Sub, half))
		r.High = ceiling(scaled((*big.Rat).Add, half)) - 1
		r.Not = prefix == store.NotEqual
	case store.GreaterThan, store.StartsAfter:
		r.Low = floor(exact) + 1
	case store.LessThan, store.EndsBefore:
		r.High = ceiling(exact) - 1
	case store.GreaterOrEqual:
		r.Low = ceiling(exact)
	case store.LessOrEqual:
		r.High = floor(exact)
	case store.Approximately:
		slack := new(big.Rat).Quo(new(big.Rat).Abs(value), big.NewRat(10, 1))
		if slack.Cmp(half) < 0 {
			slack = half
		}
		r.Low, r.High = ceiling(scaled((*big.Rat).Sub, slack)), floor(scaled((*big.Rat).Add, slack))
	default:
		return r, false
	}
	return r, true
}

// readNumber gives a number and half a unit of its last digit: 100 reaches from
// 99.5 to 100.5, 100.00 from 99.995 to 100.005. A single digit with an exponent
// counts as written with one more, as in R4's own example, where 1e2 reaches
// from 95 to 105 (search.html 3.1.1.4.6).
func readNumber(text string) (value, half *big.Rat) {
	value, _ = new(big.Rat).SetString(text) // as the pattern has it
	mantissa, exponent, scientific := strings.Cut(strings.ToLower(text), "e")
	_, decimals, _ := strings.Cut(mantissa, ".")
	unit := "1e0"
	if scientific {
		unit = "1e" + exponent
	}
	half, _ = new(big.Rat).SetString(unit)
	digits := len(decimals)
	if scientific && len(strings.TrimPrefix(mantissa, "-")) == 1 {
		digits++
	}
	ten := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(digits)), nil)
	return value, half.Quo(half, new(big.Rat).SetInt(ten.Mul(ten, big.NewInt(2))))
}

// limit is beyond any value stored, and far from overflow.
const limit = 1 << 60

// floor is the largest whole number not above, within the limit.
func floor(r *big.Rat) int64 {
	// Euclidean division rounds down, since the denominator is positive.
	q := new(big.Int).Div(r.Num(), r.Denom())
	switch {
	case !q.IsInt64() && q.Sign() < 0, q.IsInt64() && q.Int64() < -limit:
		return -limit
	case !q.IsInt64() || q.Int64() > limit:
		return limit
	}
	return q.Int64()
}

// ceiling is the smallest whole number not below, within the limit.
func ceiling(r *big.Rat) int64 { return -floor(new(big.Rat).Neg(r)) }

// quantityParam matches the value of the Observation, its components, or both.
func quantityParam(value, components bool) func(*Server, *parsed, criterion) error {
	return func(_ *Server, p *parsed, c criterion) error {
		var query store.NumberQuery
		for _, one := range splitEscaped(c.value, ',') {
			q, err := parseQuantity(c.param.name, one)
			if err != nil {
				return err
			}
			if value {
				query.Any = append(query.Any, ranges(ofValue(q.units), q.bounds)...)
			}
			if components {
				query.Any = append(query.Any, ranges(ofComponents(q.units, nil), q.bounds)...)
			}
		}
		p.query.Numbers = append(p.query.Numbers, query)
		return nil
	}
}

// codeQuantityParam matches a code and the quantity beside it: code$quantity.
func codeQuantityParam(value, components bool) func(*Server, *parsed, criterion) error {
	return func(_ *Server, p *parsed, c criterion) error {
		var query store.NumberQuery
		for _, one := range splitEscaped(c.value, ',') {
			code, amount, two := cutEscaped(one, '$')
			if !two {
				return badParam(c.param.name, "a code and a quantity with a dollar sign between them")
			}
			q, err := parseQuantity(c.param.name, amount)
			if err != nil {
				return err
			}
			if value && isTotal(unescape(code)) {
				query.Any = append(query.Any, ranges(ofValue(q.units), q.bounds)...)
			}
			if components {
				query.Any = append(query.Any, ranges(ofComponents(q.units, componentCodes(unescape(code))), q.bounds)...)
			}
		}
		p.query.Numbers = append(p.query.Numbers, query)
		return nil
	}
}

// isTotal says whether a token asks for the code of every score.
func isTotal(token string) bool {
	code, ok := codeOf(token, questionnaire.ScoradSystem)
	return ok && (code == "" || code == observation.Total)
}

// componentCodes are our codes of the components that a token asks for; never
// nil.
func componentCodes(token string) []string {
	system, code, qualified := strings.Cut(token, "|")
	if !qualified {
		system, code = "", token
	}
	if system == "" && code == "" || qualified && system == "" {
		return []string{} // every coding of ours has a system
	}
	return append([]string{}, questionnaire.OwnCodes(system, code)...)
}

// componentCodeParam matches the code of a component, or of the Observation too.
func componentCodeParam(value bool) func(*Server, *parsed, criterion) error {
	return func(_ *Server, p *parsed, c criterion) error {
		var codes []string
		total := false
		for _, one := range alternatives(c.value) {
			codes = append(codes, componentCodes(one)...)
			total = total || value && isTotal(one)
		}
		if total {
			p.none = p.none || c.not()
			return nil
		}
		if codes == nil {
			codes = []string{}
		}
		units := append([]string{observation.Yes}, allUnits...)
		p.query.Numbers = append(p.query.Numbers, store.NumberQuery{Any: anyOf(ofComponents(units, codes)), Not: c.not()})
		return nil
	}
}

// splitEscaped splits at the separators that are not escaped, and leaves the
// escapes as they are (R4 search.html 3.1.1.4.0).
func splitEscaped(value string, separator byte) []string {
	var all []string
	for {
		before, after, found := cutEscaped(value, separator)
		all = append(all, before)
		if !found {
			return all
		}
		value = after
	}
}

// cutEscaped cuts at the first separator that is not escaped.
func cutEscaped(value string, separator byte) (before, after string, found bool) {
	for i := 0; i < len(value); i++ {
		switch {
		case value[i] == '\\' && i+1 < len(value) && strings.IndexByte(escapable, value[i+1]) >= 0:
			i++
		case value[i] == separator:
			return value[:i], value[i+1:], true
		}
	}
	return value, "", false
}

// escapable are the characters that a backslash may stand before.
const escapable = `\,|$`

// unescape takes the backslashes of escapes away.
func unescape(value string) string {
	if !strings.Contains(value, `\`) {
		return value
	}
	var b strings.Builder
	for i := 0; i < len(value); i++ {
		if value[i] == '\\' && i+1 < len(value) && strings.IndexByte(escapable, value[i+1]) >= 0 {
			i++
		}
		b.WriteByte(value[i])
	}
	return b.String()
}

// alternatives are the values of a parameter of which any will do.
func alternatives(value string) []string {
	all := splitEscaped(value, ',')
	for i := range all {
		all[i] = unescape(all[i])
	}
	return all
}
