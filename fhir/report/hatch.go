package report

import (
	"math"
	"slices"
)

// hatch draws parallel lines within a closed shape, so many points apart, at an
// angle in radians. The lines are cut at the outline here, so that SVG and PDF
// draw the very same.
func (e *element) hatch(outline []point, spacing, angle, width float64, line ink) {
	sin, cos := math.Sincos(angle)
	turn := func(p point) point { return point{p.x*cos + p.y*sin, -p.x*sin + p.y*cos} }
	back := func(p point) point { return point{p.x*cos - p.y*sin, p.x*sin + p.y*cos} }
	turned := make([]point, len(outline))
	low, high := math.Inf(1), math.Inf(-1)
	for i, p := range outline {
		turned[i] = turn(p)
		low, high = min(low, turned[i].y), max(high, turned[i].y)
	}
	for y := low + spacing/2; y < high; y += spacing {
		cuts := crossings(turned, y)
		for i := 0; i+1 < len(cuts); i += 2 {
			a, b := back(point{cuts[i], y}), back(point{cuts[i+1], y})
			e.rule(a.x, a.y, b.x, b.y, width, line)
		}
	}
}

// crossings are where a level line cuts an outline, from left to right.
func crossings(outline []point, y float64) (xs []float64) {
	for i, a := range outline {
		b := outline[(i+1)%len(outline)]
		if (a.y <= y) != (b.y <= y) {
			xs = append(xs, a.x+(y-a.y)*(b.x-a.x)/(b.y-a.y))
		}
	}
	slices.Sort(xs)
	return xs
}

// rounded draws an outline through corners that are each cut off and rounded by a
// radius, no more than half of the shorter side beside them.
func rounded(corners []point, radius float64) (outline []point) {
	const steps = 6
	n := len(corners)
	for i, c := range corners {
		before, after := corners[(i+n-1)%n], corners[(i+1)%n]
		a, b := toward(c, before, radius), toward(c, after, radius)
		for s := range steps + 1 {
			// A quadratic curve from a to b that leans on the corner.
			t := float64(s) / steps
			outline = append(outline, point{
				(1-t)*(1-t)*a.x + 2*t*(1-t)*c.x + t*t*b.x,
				(1-t)*(1-t)*a.y + 2*t*(1-t)*c.y + t*t*b.y,
			})
		}
	}
	return outline
}

// toward is the point so far from one point on the way to another, half way at
// most.
func toward(from, to point, distance float64) point {
	length := math.Hypot(to.x-from.x, to.y-from.y)
	share := min(distance, length/2) / length
	return point{from.x + (to.x-from.x)*share, from.y + (to.y-from.y)*share}
}
