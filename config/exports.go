package config

import (
	"errors"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// Exports are the settings of bulk exports.
type Exports struct {
	// ExportGroups is the file that names groups of patients; see ReadGroups.
	ExportGroups string

	keep, most string
}

func exportSettings() []Setting {
	return []Setting{
		{"TIDEMARK_EXPORT_GROUPS", "", "YAML file of groups that can be exported, each with a list of its patients as Patient/[id], the URL of a Patient, or identifier:SYSTEM|VALUE; read again when it changes; empty offers no groups", func(s *Settings) *string { return &s.ExportGroups }},
		{"TIDEMARK_EXPORT_KEEP", "24h", "how long a bulk export can be downloaded", func(s *Settings) *string { return &s.keep }},
		{"TIDEMARK_EXPORT_MOST", "2", "bulk exports of one client that are prepared at once", func(s *Settings) *string { return &s.most }},
	}
}

// ExportLimits are the numbers among the Exports; what Check refuses is 0.
func (e Exports) ExportLimits() (keep time.Duration, most int) {
	keep, _ = time.ParseDuration(e.keep)
	most, _ = strconv.Atoi(e.most)
	return keep, most
}

// maxGroup is the most patients of a group: each is a value of a statement.
const maxGroup = 10_000

// Group ids are those of FHIR; patients are named as the store finds them.
var (
	groupID     = regexp.MustCompile(`^[A-Za-z0-9.-]{1,64}$`)
	groupMember = regexp.MustCompile(`^(https?://[^\s|]+/)?Patient/[A-Za-z0-9.-]{1,64}$|^identifier:[^|]*\|.+$`)
)

// ReadGroups reads a file of groups, with all that is wrong with it. The faults
// name a group and a place, and never a patient.
func ReadGroups(path string) (map[string][]string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var groups map[string][]string
	if err := yaml.Unmarshal(text, &groups); err != nil {
		return nil, fmt.Errorf("%s must have a line NAME: for each group and below it a list of patients", path)
	}
	var faults []error
	for id, members := range groups {
		if !groupID.MatchString(id) {
			faults = append(faults, fmt.Errorf("%s: the name of a group has 1 to 64 of A-Z, a-z, 0-9, - and . only, since it is a FHIR id", path))
		}
		if len(members) > maxGroup {
			faults = append(faults, fmt.Errorf("%s: group %s has more than %d patients; make several of it", path, strconv.Quote(id), maxGroup))
		}
		for i, member := range members {
			if !groupMember.MatchString(strings.TrimSpace(member)) {
				faults = append(faults, fmt.Errorf("%s: group %s: patient %d must be Patient/[id], the URL of a Patient, or identifier:SYSTEM|VALUE", path, strconv.Quote(id), i+1))
			}
			members[i] = strings.TrimSpace(member)
		}
	}
	return groups, errors.Join(faults...)
}

// checkExports reports what is wrong with the Exports.
func (s *Settings) checkExports(bad func(name, format string, args ...any)) {
	if s.ExportGroups != "" {
		if _, err := ReadGroups(s.ExportGroups); err != nil {
			bad("TIDEMARK_EXPORT_GROUPS", "%v", err)
		}
	}
	if keep, err := time.ParseDuration(s.keep); err != nil || keep < time.Minute || keep > 30*24*time.Hour {
		bad("TIDEMARK_EXPORT_KEEP", "%q is no time from 1m to 720h", s.keep)
	}
	if most, err := strconv.Atoi(s.most); err != nil || most < 1 || most > 100 {
		bad("TIDEMARK_EXPORT_MOST", "%q is no whole number from 1 to 100", s.most)
	}
}
