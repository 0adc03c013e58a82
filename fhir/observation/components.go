package observation

import (
	"strconv"

	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// appendComponents writes every scored answer as it was given and every part
// of the score, so that the total can be traced.
func appendComponents(dst []byte, r *questionnaire.Response, w *words) []byte {
	a, result, f := &r.Assessment, &r.Result, w.fragmentsOf(r.Form)
	start := len(dst)
	dst = append(dst, `,"component":[`...)
	if a.Method == scoring.ByRegions {
		for i, percent := range a.Regions {
			if percent.Answered {
				dst = append(dst, f.regions[i]...)
				dst = strconv.AppendUint(dst, uint64(percent.Value), 10)
				dst = append(dst, percentEnd...)
			}
		}
	}
	dst = appendTenths(dst, f.hands, a.Hands, palmEnd)
	dst = appendTenths(dst, f.direct, a.Direct, percentEnd)
	for i, grade := range a.Grades {
		if grade.Answered {
			dst = append(dst, f.grades[i]...)
			dst = append(dst, '0'+grade.Value)
			dst = append(dst, scoreEnd...)
		}
	}
	dst = appendTenths(dst, f.itch, a.Itch, scoreEnd)
	dst = appendTenths(dst, f.sleepLoss, a.SleepLoss, scoreEnd)
	for i, seen := range a.AlsoSeen {
		if seen.Answered {
			dst = append(dst, f.alsoSeen[i]...)
			dst = strconv.AppendBool(dst, seen.Value)
			dst = append(dst, `},`...)
		}
	}
	dst = appendTenths(dst, f.extent, result.Extent, percentEnd)
	dst = appendPoints(dst, f.extentPart, result.ExtentPart)
	dst = appendPoints(dst, f.intensityPart, result.IntensityPart)
	dst = appendPoints(dst, f.subjectivePart, result.SubjectivePart)
	dst = appendPoints(dst, f.objective, result.Objective)
	dst = appendPoints(dst, f.objectiveWithBonus, result.ObjectiveWithBonus)
	if dst[len(dst)-1] != ',' {
		return dst[:start]
	}
	dst[len(dst)-1] = ']'
	return dst
}

func appendTenths(dst []byte, fragment string, value scoring.Optional[scoring.Tenths], end string) []byte {
	if !value.Answered {
		return dst
	}
	dst = append(dst, fragment...)
	dst = value.Value.Append(dst)
	return append(dst, end...)
}

func appendPoints(dst []byte, fragment string, value scoring.Optional[scoring.Points]) []byte {
	if !value.Answered {
		return dst
	}
	dst = append(dst, fragment...)
	dst = value.Value.Append(dst)
	return append(dst, scoreEnd...)
}
