package auth

import "slices"

// ExportTypes are the types that bulk exports give.
func ExportTypes() []string { return []string{"QuestionnaireResponse", "Observation", "Provenance"} }

// ExportNeeds are the needs of a bulk export, of a group or not: to read and search
// any one of the types, and a group itself besides.
func ExportNeeds(group bool) []Need {
	var all []Need
	if group {
		all = append(all, Need{"Group", Read})
	}
	for _, kind := range ExportTypes() {
		all = append(all, Need{kind, Read | Search})
	}
	return all
}

// OperationNeeds gives what scopes an operation needs, and false for one that
// is not known, which is then refused. SMART leaves operations to the server;
// each needs here what the same data would cost by other requests.
//
// Instance says that it was asked of a stored resource. What an operation reads
// is further held to the Restriction of that need.
func OperationNeeds(operation, resource string, instance bool) ([]Need, bool) {
	switch operation {
	case "validate":
		// About what was sent it reads nothing that is kept.
		if instance {
			return []Need{{resource, Read}}, true
		}
		return nil, true
	case "extract":
		if instance {
			return []Need{{"QuestionnaireResponse", Read}}, true
		}
		return []Need{{"QuestionnaireResponse", Create}}, true
	case "process-response":
		return []Need{{"QuestionnaireResponse", Create}}, true
	case "populate":
		return []Need{{"QuestionnaireResponse", Read}}, true
	case "status", "events":
		if instance {
			return []Need{{"Subscription", Read}}, true
		}
		return []Need{{"Subscription", Search}}, true
	case "lastn", "stats", "scorad-trend", "scorad-agreement":
		return []Need{{"Observation", Read | Search}}, true
	case "export":
		return ExportNeeds(resource == "Group"), true
	case "scorad-research-export":
		return slices.DeleteFunc(ExportNeeds(resource == "Group"), func(n Need) bool { return n.Type != "Group" && n.Type != "Observation" }), true
	}
	return nil, false
}

// InteractionNeeds gives the need of a FHIR interaction by its name in the
// CapabilityStatement (R4 valueset-type-restful-interaction.html), or its name
// with "conditional-" before it, and false for one that is not known. A Bundle as such needs nothing; its entries do.
func InteractionNeeds(interaction, resource string) ([]Need, bool) {
	one := func(does Interaction) ([]Need, bool) { return []Need{{resource, does}}, true }
	switch interaction {
	case "capabilities", "transaction", "batch":
		return nil, true
	case "read", "vread", "history-instance":
		return one(Read)
	case "create":
		return one(Create)
	case "update", "patch":
		return one(Update)
	case "delete":
		return one(Delete)
	case "search-type", "history-type":
		return one(Search)
	case "conditional-create":
		return one(Create | Search)
	case "conditional-update":
		return one(Create | Update | Search)
	case "conditional-delete":
		return one(Delete | Search)
	}
	return nil, false
}
