package report

// column is where the texts of a column begin or end, and how wide they may be.
type column struct {
	x      float64
	anchor anchor
	width  float64
}

// grid sets a table, row by row; y is the baseline of the next.
type grid struct {
	table   *element
	columns []column
	y       float64
}

func newGrid(page *element, columns []column, y float64) *grid {
	return &grid{page.add(table), columns, y}
}

// head sets the heads of the columns, with a rule beneath them.
func (g *grid) head(cells []string) {
	g.set(style{7.4, true, grey}, colHead, cells)
	g.line(0.7)
	g.y += 1.5
}

func (g *grid) row(cells ...string) {
	g.set(bodyStyle, cell, cells)
	g.line(0.3)
	g.y += 0.6
}

// strong sets a row that stands out.
func (g *grid) strong(cells ...string) {
	g.set(strongStyle, cell, cells)
	g.line(0.3)
	g.y += 0.6
}

// line rules the whole width beneath the row that was set. It is decoration, and
// so no part of the table.
func (g *grid) line(width float64) {
	last := g.columns[len(g.columns)-1]
	g.table.add(artifact).rule(g.columns[0].x, g.y-rowHeight+3.2, last.x, g.y-rowHeight+3.2, width, pale)
}

// set sets one row, as high as its highest cell.
func (g *grid) set(s style, r role, cells []string) {
	line, high := g.table.add(row), g.y
	for i, text := range cells {
		kind := r
		if i == 0 && r == cell {
			kind = rowHead
		}
		e, y := line.add(kind), g.y
		for j, part := range wrap(text, s, g.columns[i].width) {
			if j > 0 {
				y += s.leading()
			}
			e.text(g.columns[i].x, y, s, g.columns[i].anchor, part)
		}
		high = max(high, y)
	}
	g.y = high + rowHeight
}
