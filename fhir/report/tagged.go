package report

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf16"
)

// The PDF library writes no structure. It is added as an incremental update (ISO
// 32000-1 7.5.6): the page and the catalog are written again behind what is
// there, with a structure tree (14.7) whose elements name the numbered pieces of
// the page's content.

var (
	pageObject    = regexp.MustCompile(`(?s)(\d+) 0 obj\n<</Type /Page\n(.*?)>>\nendobj`)
	catalogObject = regexp.MustCompile(`(?s)(\d+) 0 obj\n<<\n/Type /Catalog\n(.*?)>>\nendobj`)
	trailerPart   = regexp.MustCompile(`(?s)trailer\n<<\n/Size (\d+)\n/Root (\d+) 0 R\n/Info (\d+) 0 R\n>>\nstartxref\n(\d+)\n%%EOF`)
)

// errLibrary says that the library's PDF is not as it was when this was written.
var errLibrary = errors.New("report: the PDF library writes another form of PDF than is known here")

func tagged(pdf []byte, tree *pdfNode, contents int) ([]byte, error) {
	page, catalog, trailer := pageObject.FindSubmatch(pdf), catalogObject.FindSubmatch(pdf), trailerPart.FindSubmatch(pdf)
	if page == nil || catalog == nil || trailer == nil {
		return nil, errLibrary
	}
	next, err := strconv.Atoi(string(trailer[1]))
	if err != nil {
		return nil, errLibrary
	}
	u := &update{out: bytes.NewBuffer(pdf), next: next, page: string(page[1]), parents: make([]int, contents)}
	root, parents := u.number(), u.number()
	top := u.structure(tree, root)
	u.object(root, fmt.Sprintf("<</Type /StructTreeRoot /K [%d 0 R] /ParentTree %d 0 R /ParentTreeNextKey 1>>", top, parents))
	list := make([]string, contents)
	for i, parent := range u.parents {
		list[i] = fmt.Sprintf("%d 0 R", parent)
	}
	u.object(parents, "<</Nums [0 ["+strings.Join(list, " ")+"]]>>")
	if err := u.again(page, "<</Type /Page\n/StructParents 0\n/Tabs /S\n%s>>"); err != nil {
		return nil, err
	}
	err = u.again(catalog, fmt.Sprintf("<<\n/Type /Catalog\n/MarkInfo <</Marked true>>\n/StructTreeRoot %d 0 R\n/ViewerPreferences <</DisplayDocTitle true>>\n%%s>>", root))
	if err != nil {
		return nil, err
	}
	return u.close(trailer), nil
}

// update is what is written behind a PDF.
type update struct {
	out  *bytes.Buffer
	next int
	page string
	// parents are the elements that the pieces of content belong to.
	parents []int
	// written are the places of the objects written, by number.
	written []place
}

type place struct{ object, offset int }

func (u *update) number() int { u.next++; return u.next - 1 }

func (u *update) object(number int, body string) {
	u.written = append(u.written, place{number, u.out.Len() + 1})
	fmt.Fprintf(u.out, "\n%d 0 obj\n%s\nendobj", number, body)
}

// again writes an object that is there once more, with what is in it put into
// another frame.
func (u *update) again(found [][]byte, frame string) error {
	number, err := strconv.Atoi(string(found[1]))
	if err != nil {
		return errLibrary
	}
	u.object(number, strings.Replace(frame, "%s", string(found[2]), 1))
	return nil
}

// structure writes an element and what is beneath it, and gives its number.
func (u *update) structure(n *pdfNode, parent int) int {
	number := u.number()
	var kids []string
	if n.content >= 0 {
		kids = append(kids, strconv.Itoa(n.content))
		u.parents[n.content] = number
	}
	for _, child := range n.children {
		kids = append(kids, fmt.Sprintf("%d 0 R", u.structure(child, number)))
	}
	more := ""
	switch n.role {
	case figure:
		more = " /Alt " + textString(n.alt)
	case colHead:
		more = " /A <</O /Table /Scope /Column>>"
	case rowHead:
		more = " /A <</O /Table /Scope /Row>>"
	}
	u.object(number, fmt.Sprintf("<</Type /StructElem /S /%s /P %d 0 R /Pg %s 0 R /K [%s]%s>>", tagOf(n.role), parent, u.page, strings.Join(kids, " "), more))
	return number
}

// tagOf is the name of a role; that of heads of columns and rows is the same.
func tagOf(r role) string { return strings.TrimSpace(string(r)) }

// textString writes a text as UTF-16 with its mark (ISO 32000-1 7.9.2.2).
func textString(text string) string {
	var b strings.Builder
	b.WriteString("<FEFF")
	for _, unit := range utf16.Encode([]rune(text)) {
		fmt.Fprintf(&b, "%04X", unit)
	}
	b.WriteString(">")
	return b.String()
}

// close writes the second table of objects and the trailer.
func (u *update) close(trailer [][]byte) []byte {
	u.out.WriteByte('\n')
	table := u.out.Len()
	u.out.WriteString("xref\n")
	for _, p := range u.written {
		fmt.Fprintf(u.out, "%d 1\n%010d 00000 n \n", p.object, p.offset)
	}
	fmt.Fprintf(u.out, "trailer\n<<\n/Size %d\n/Root %s 0 R\n/Info %s 0 R\n/Prev %s\n>>\nstartxref\n%d\n%%%%EOF\n", u.next, trailer[2], trailer[3], trailer[4], table)
	return u.out.Bytes()
}
