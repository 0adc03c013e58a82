package fhir

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"slices"
	"strconv"
	"time"

	"tidemark.example/tidemark/fhir/schema"
)

// InstantFormat writes an instant of ours: UTC or offset, to the millisecond.
const InstantFormat = "2006-01-02T15:04:05.000Z07:00"

// Stamp is what the server sets on a stored version.
type Stamp struct {
	ID          string
	Version     int64
	LastUpdated time.Time
}

// AppendStamped writes a resource again under the server's id and meta. What
// the sender put into id, versionId and lastUpdated is dropped, as R4 demands
// for create; the rest of meta and every other member stays as it was sent.
// Replace gives members their new JSON by name; "" removes one.
func AppendStamped(dst []byte, root Node, stamp Stamp, replace map[string]string) []byte {
	dst = append(dst, `{"resourceType":"`...)
	dst = append(dst, root.Type()...)
	dst = append(dst, `","id":"`...)
	dst = append(dst, stamp.ID...)
	dst = append(dst, `","meta":{"versionId":"`...)
	dst = strconv.AppendInt(dst, stamp.Version, 10)
	dst = append(dst, `","lastUpdated":"`...)
	dst = stamp.LastUpdated.AppendFormat(dst, InstantFormat)
	dst = append(dst, '"')
	dst = appendMembers(dst, root.Get("meta"), func(name string) (string, bool) {
		return "", name == "versionId" || name == "lastUpdated"
	})
	dst = append(dst, '}')
	dst = appendMembers(dst, root, func(name string) (string, bool) {
		switch name {
		case "resourceType", "id", "meta":
			return "", true
		}
		text, replaced := replace[name]
		return text, replaced
	})
	return append(dst, '}')
}

// AppendReplaced writes an element or a resource again with some of its members
// replaced: those named get their new JSON, and "" removes one.
func AppendReplaced(dst []byte, object Node, replace map[string]string) []byte {
	start := len(dst)
	dst = appendMembers(dst, object, func(name string) (string, bool) {
		text, replaced := replace[name]
		return text, replaced
	})
	if len(dst) == start {
		return append(dst, "{}"...)
	}
	dst[start] = '{'
	return append(dst, '}')
}

// subsetTag marks a resource of which a part is given (R4 search.html
// 3.1.1.5.9), so that nobody takes it for the whole and stores it.
const subsetTag = `{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED","display":"Subsetted"}`

// AppendSubset writes those elements of a resource that are wanted, and those
// that must be there, with the tag that says that others are left out. Id and
// meta always stay; a companion (`_status`) stays with its element.
func AppendSubset(dst []byte, root Node, wanted func(*Element) bool) []byte {
	dst = append(dst, `{"resourceType":"`...)
	dst = append(dst, root.Type()...)
	dst = append(dst, '"')
	dst = appendKept(dst, root, "id")
	dst = append(dst, `,"meta":{"tag":[`...)
	for tag := range root.Get("meta").Each("tag") {
		dst = append(dst, tag.Raw()...)
		dst = append(dst, ',')
	}
	dst = append(dst, subsetTag+`]`...)
	dst = appendMembers(dst, root.Get("meta"), func(name string) (string, bool) { return "", name == "tag" })
	dst = append(dst, '}')
	kind := root.at().kind
	dst = appendMembers(dst, root, func(name string) (string, bool) {
		switch name {
		case "resourceType", "id", "meta":
			return "", true
		}
		return "", !kept(kind, name, wanted)
	})
	return append(dst, '}')
}

// appendKept writes one member.
func appendKept(dst []byte, root Node, only string) []byte {
	return appendMembers(dst, root, func(name string) (string, bool) { return "", name != only })
}

// kept says whether a member of a type is wanted or mandatory, by itself or by
// what it is the companion of.
func kept(kind *schema.Type, name string, wanted func(*Element) bool) bool {
	e := kind.Lookup([]byte(name))
	if e.Kind == schema.PrimitiveElement {
		e = e.Companion
	}
	return e.Required || wanted(e) || slices.ContainsFunc(kind.Required, func(r schema.Requirement) bool { return slices.Contains(r.Elements, e) })
}

// appendMembers writes the members of an object, each after a comma, with
// those replaced for which override says so.
func appendMembers(dst []byte, object Node, override func(name string) (string, bool)) []byte {
	for child := object.First(); child.Exists(); {
		element := child.at().element
		text, replaced := override(element.Name)
		if !replaced || text != "" {
			dst = append(dst, ',', '"')
			dst = append(dst, element.Name...)
			dst = append(dst, '"', ':')
		}
		dst = append(dst, text...)
		opened := false
		for ; child.Exists() && child.at().element == element; child = child.Next() {
			if replaced {
				continue
			}
			if element.Many {
				dst = append(dst, "[,"[boolByte(opened)])
				opened = true
			}
			dst = append(dst, child.Raw()...)
		}
		if opened {
			dst = append(dst, ']')
		}
	}
	return dst
}

func boolByte(b bool) byte {
	if b {
		return 1
	}
	return 0
}

// Digest is a digest of what a resource says: all its elements but id, meta
// and narrative, whatever the white space between them.
func (n Node) Digest() string {
	hash := sha256.New()
	// Hashed by the kilobyte: with a write for each name and value it takes nearly
	// twice as long.
	var space [2048]byte
	part := space[:0]
	for child := n.First(); child.Exists(); child = child.Next() {
		switch child.Name() {
		case "id", "meta", "text":
			continue
		}
		for i := child.index; i < child.at().next; i++ {
			at := &n.document.nodes[i]
			part = binary.LittleEndian.AppendUint32(part, uint32(len(at.element.Name)))
			part = append(part, at.element.Name...)
			if at.kind == nil {
				part = binary.LittleEndian.AppendUint32(part, at.end-at.start)
				part = append(part, n.document.data[at.start:at.end]...)
			} else {
				// How many nodes an object spans keeps its shape in the digest.
				part = binary.LittleEndian.AppendUint32(part, 4)
				part = binary.LittleEndian.AppendUint32(part, at.next-i)
			}
			if len(part) > len(space)/2 {
				hash.Write(part)
				part = part[:0]
			}
		}
	}
	hash.Write(part)
	return hex.EncodeToString(hash.Sum(nil))
}
