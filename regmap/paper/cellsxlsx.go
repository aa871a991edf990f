package paper

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/xuri/excelize/v2"
)

// The bounds of what a workbook may unpack to, and of what of it is kept in
// memory rather than in a temporary file. The library's own default is 16 GB.
const (
	mostUnzipped     = 64 << 20
	mostUnzippedPart = 16 << 20
)

// readWorkbook reads one worksheet. The parts that matter are walked through
// first, by our own hand and within bounds (bookScan): the library takes cells
// in the order they come, passes over broken XML, and fills rows and columns
// up to whatever number a file names.
func readWorkbook(data []byte, worksheet string) (cells Cells, err error) {
	defer func() {
		if p := recover(); p != nil {
			cells, err = Cells{}, errors.New("the workbook cannot be read: something in it is not as in any other; save it anew as .xlsx")
		}
	}()
	if bytes.HasPrefix(data, []byte{0xD0, 0xCF, 0x11, 0xE0}) {
		return Cells{}, errors.New("this is a workbook of the old kind, or one with a password; save it as .xlsx without a password")
	}
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return Cells{}, errors.New("this is no .xlsx workbook: it is not packed as one, or is cut off")
	}
	scan, err := scanBook(z, worksheet)
	if err != nil {
		return Cells{}, err
	}
	rows, err := workbookRows(data, scan, mostUnzippedPart)
	if err != nil {
		return Cells{}, err
	}
	for _, c := range scan.shown {
		if c.row < len(rows) && c.column < len(rows[c.row]) {
			rows[c.row][c.column] = c.text
		}
	}
	for i, row := range rows {
		for j, text := range row {
			text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
			rows[i][j] = text
			if r, bad := control(text); bad {
				return Cells{}, CellFault{Place{Row: i + 1, Column: j + 1}, fmt.Sprintf("the control character %U; a list holds plain text", r)}
			}
		}
	}
	if rows, err = fillMerged(rows, scan); err != nil {
		return Cells{}, err
	}
	return Cells{Rows: rows, Worksheet: scan.sheet, Worksheets: scan.names}, nil
}

// workbookRows has the library give the cells as they are stored. Parts of more
// than so many bytes go to temporary files.
func workbookRows(data []byte, scan *bookScan, inMemory int64) (out [][]string, err error) {
	broken := func(err error) error { return fmt.Errorf("the workbook cannot be read: %w", err) }
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{
		RawCellValue: true, UnzipSizeLimit: mostUnzipped, UnzipXMLSizeLimit: inMemory,
	})
	if err != nil {
		return nil, broken(err)
	}
	defer f.Close() // its error is about temporary files only
	rows, err := f.Rows(scan.sheet)
	if err != nil {
		return nil, broken(err)
	}
	defer rows.Close()
	for len(out) < scan.rows && rows.Next() {
		row, err := rows.Columns()
		if err != nil {
			return nil, broken(err)
		}
		out = append(out, row)
	}
	if err := rows.Error(); err != nil {
		return nil, broken(err)
	}
	return out, nil
}

// fillMerged gives each cell of a merged range the text of its first, as far
// as the list reaches.
func fillMerged(rows [][]string, scan *bookScan) ([][]string, error) {
	columns := 0
	for _, row := range rows {
		columns = max(columns, len(row))
	}
	filled := 0
	for _, m := range scan.merged {
		if m.top >= len(rows) || m.left >= len(rows[m.top]) || rows[m.top][m.left] == "" {
			continue
		}
		text := rows[m.top][m.left]
		bottom, right := min(m.bottom, len(rows)-1), min(m.right, columns-1)
		if filled += (bottom - m.top + 1) * (right - m.left + 1); filled > MostListCells {
			return nil, CellFault{Place{Row: m.top + 1, Column: m.left + 1}, fmt.Sprintf("merged cells that fill more than %d cells of the list", MostListCells)}
		}
		for i := m.top; i <= bottom; i++ {
			if missing := right + 1 - len(rows[i]); missing > 0 {
				rows[i] = append(slices.Clip(rows[i]), make([]string, missing)...)
			}
			for j := m.left; j <= right; j++ {
				rows[i][j] = text
			}
		}
	}
	return rows, nil
}
