package report

import (
	"fmt"
	"math"
	"strings"

	"tidemark.example/tidemark/scoring"
)

// The drawing is our own: plain outlines of a standing figure in a box of 100 by
// 200, arms and legs apart, so that every region has room for its hatching and a
// number beside it.
var (
	headShape  = []point{{40, 2}, {60, 2}, {63, 16}, {56, 31}, {55, 38}, {45, 38}, {44, 31}, {37, 16}}
	trunkShape = []point{{45, 38}, {55, 38}, {69, 42}, {70, 60}, {65, 78}, {68, 100}, {58, 108}, {42, 108}, {32, 100}, {35, 78}, {30, 60}, {31, 42}}
	armShape   = []point{{29, 43}, {28, 60}, {20, 84}, {13, 102}, {12, 114}, {5, 113}, {6, 99}, {11, 80}, {18, 52}, {22, 45}}
	legShape   = []point{{32, 102}, {41, 110}, {47, 114}, {45, 146}, {41, 168}, {39, 188}, {38, 197}, {26, 197}, {29, 186}, {30, 164}, {31, 140}, {30, 118}}
	groinShape = []point{{43, 109}, {57, 109}, {53, 119}, {47, 119}}
)

const figureWidth, figureHeight = 100.0, 200.0

// bodyRegion is a region on the drawing: its outline, whether that is mirrored,
// and where its number stands.
type bodyRegion struct {
	region   scoring.Region
	shape    []point
	mirrored bool
	label    point
	anchor   anchor
}

// The viewer's left is the patient's right in front, and the left behind.
func bodyRegions(front bool) []bodyRegion {
	limbs := func(first, second, third, fourth scoring.Region) []bodyRegion {
		return []bodyRegion{
			{first, armShape, false, point{6, 74}, end}, {second, armShape, true, point{94, 74}, start},
			{third, legShape, false, point{26, 152}, end}, {fourth, legShape, true, point{74, 152}, start},
		}
	}
	if front {
		return append([]bodyRegion{{scoring.HeadFront, headShape, false, point{67, 16}, start}, {scoring.TrunkFront, trunkShape, false, point{50, 74}, middle}},
			append(limbs(scoring.ArmRightFront, scoring.ArmLeftFront, scoring.LegRightFront, scoring.LegLeftFront),
				bodyRegion{scoring.Genitals, groinShape, false, point{50, 211}, middle})...)
	}
	return append([]bodyRegion{{scoring.HeadBack, headShape, false, point{67, 16}, start}, {scoring.TrunkBack, trunkShape, false, point{50, 74}, middle}},
		limbs(scoring.ArmLeftBack, scoring.ArmRightBack, scoring.LegLeftBack, scoring.LegRightBack)...)
}

// bodyMap draws the regions with their percents as text and as the density of
// hatching, which is how dark a region looks.
func (r *Report) bodyMap(parent *element, t *texts, x, y, width, height float64) {
	f := parent.add(figure)
	var all []string
	for region := range scoring.Region(scoring.RegionCount) {
		if v := r.Newest.value("extent-" + region.String()); v.Answered {
			all = append(all, fmt.Sprintf(t.region, t.regions[region], t.answer(v.Value)))
		}
	}
	f.alt = fmt.Sprintf(t.bodyAlt, strings.Join(all, "; "))
	scale := (height - 26) / figureHeight
	for i, front := range []bool{true, false} {
		left := x + width*(float64(i)*0.5+0.25) - figureWidth*scale/2
		place := func(p point) point { return point{left + p.x*scale, y + 12 + p.y*scale} }
		caption, sides := t.front, [2]string{t.right, t.left}
		if !front {
			caption, sides = t.back, [2]string{t.left, t.right}
		}
		f.text(place(point{50, 0}).x, y+6, tinyBold, middle, caption)
		f.text(place(point{4, 0}).x, y+6, smallStyle, middle, sides[0])
		f.text(place(point{96, 0}).x, y+6, smallStyle, middle, sides[1])
		for _, b := range bodyRegions(front) {
			r.bodyRegion(f, t, b, place, scale)
		}
	}
}

var tinyBold = style{7.4, true, black}

func (r *Report) bodyRegion(f *element, t *texts, b bodyRegion, place func(point) point, scale float64) {
	corners := make([]point, len(b.shape))
	for i, p := range b.shape {
		if b.mirrored {
			p.x = figureWidth - p.x
		}
		corners[i] = place(p)
	}
	outline := rounded(corners, 5*scale)
	value := r.Newest.value("extent-" + b.region.String())
	f.shape(outline, white, none, 0)
	percent := float64(value.Value) / scoring.PointsPerUnit
	if percent > 0 {
		spacing := hatchSpacing(percent)
		f.hatch(outline, spacing, math.Pi/4, 0.55, black)
		if percent >= 50 {
			f.hatch(outline, spacing, -math.Pi/4, 0.55, black)
		}
	}
	f.shape(outline, none, black, 0.8)
	if !value.Answered {
		return
	}
	at, text, s := place(b.label), fmt.Sprintf("%s\u00a0%%", t.answer(value.Value)), style{6.8, percent > 0, black}
	switch {
	case b.region == scoring.Genitals:
		from := place(point{50, 119})
		f.rule(from.x, from.y, from.x, at.y-6.5, 0.4, grey, 1.2, 1.6)
		text = fmt.Sprintf(t.genitals, t.answer(value.Value))
	case b.anchor == middle:
		w := widthOf(text, s) + 5
		f.shape(rounded([]point{{at.x - w/2, at.y - 7.2}, {at.x + w/2, at.y - 7.2}, {at.x + w/2, at.y + 2.8}, {at.x - w/2, at.y + 2.8}}, 2), white, none, 0)
	}
	f.text(at.x, at.y, s, b.anchor, text)
}

// hatchSpacing is how far lines are apart, in points: the more eczema, the closer.
// From half of the region on they cross.
func hatchSpacing(percent float64) float64 {
	if percent >= 50 {
		return 5.4 - 3.6*(percent-50)/50
	}
	return 7.5 - 4.9*percent/50
}
