package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"

	"coldsection.example/services/platform/fault"
)

// readParquet reads the columns of a flat file; its rows count from 1, since no line holds the header.
func (b *builder) readParquet(data []byte) (err error) {
	defer func() {
		if p := recover(); p != nil { // the library panics on some files that lie about themselves
			err = unreadableParquet(fmt.Errorf("panic: %v", p))
		}
	}()
	f, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)), parquet.SkipBloomFilters(true), parquet.SkipPageIndex(true))
	if err != nil {
		return unreadableParquet(err)
	}
	if err := b.checkStated(f); err != nil {
		return err
	}
	fields := f.Schema().Fields()
	header := make([]string, len(fields))
	texts := make([]func(parquet.Value) string, len(fields))
	for i, field := range fields {
		if !field.Leaf() || field.Repeated() {
			return unreadableParquet(fmt.Errorf("column %q is nested", field.Name()))
		}
		if header[i] = field.Name(); header[i] == "" {
			return unreadableParquet(errors.New("a column has no name"))
		}
		texts[i] = textOf(field.Type())
	}
	if err := b.add(0, header); err != nil {
		return err
	}
	for _, group := range f.RowGroups() {
		if err := b.readGroup(group, texts); err != nil {
			return err
		}
	}
	return nil
}

// checkStated refuses a file that says itself that it is too large, before anything of it is unpacked.
func (b *builder) checkStated(f *parquet.File) error {
	if f.NumRows() > int64(b.limits.Rows) {
		return tooLarge("has more than %d rows", b.limits.Rows)
	}
	var unpacked int64
	for _, group := range f.Metadata().RowGroups {
		for i := range group.Columns {
			if unpacked += group.Columns[i].MetaData.TotalUncompressedSize; unpacked > b.limits.Unpacked || unpacked < 0 {
				return tooLarge("unpacks to more than %d bytes", b.limits.Unpacked)
			}
		}
	}
	return nil
}

func (b *builder) readGroup(group parquet.RowGroup, texts []func(parquet.Value) string) (err error) {
	rows := group.Rows()
	defer func() { err = errors.Join(err, rows.Close()) }()
	buffer := make([]parquet.Row, 256)
	for {
		n, err := rows.ReadRows(buffer)
		for _, row := range buffer[:n] {
			cells := make([]string, len(texts))
			for _, v := range row {
				if at := v.Column(); at >= 0 && at < len(cells) && !v.IsNull() {
					cells[at] = texts[at](v)
				}
			}
			if err := b.add(b.lines+1, cells); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return unreadableParquet(err)
		}
	}
}

// textOf is how a column's values become canonical texts.
func textOf(t parquet.Type) func(parquet.Value) string {
	logical := t.LogicalType()
	if logical == nil {
		logical = &format.LogicalType{}
	}
	switch l := logical.Value.(type) {
	case *format.TimestampType:
		if l.Unit.Value == nil {
			return plainText
		}
		second := int64(time.Second / l.Unit.Value.Duration())
		return func(v parquet.Value) string {
			return FormatTime(time.Unix(v.Int64()/second, v.Int64()%second*int64(l.Unit.Value.Duration())))
		}
	case *format.DateType:
		return func(v parquet.Value) string { return time.Unix(int64(v.Int32())*86_400, 0).UTC().Format(time.DateOnly) }
	case *format.DecimalType:
		return func(v parquet.Value) string { return scaled(v, int(l.Scale)) }
	}
	return plainText
}

// plainText is the text of a value without a meaning of its own.
func plainText(v parquet.Value) string {
	switch v.Kind() {
	case parquet.Boolean:
		return strconv.FormatBool(v.Boolean())
	case parquet.Int32:
		return strconv.FormatInt(int64(v.Int32()), 10)
	case parquet.Int64:
		return strconv.FormatInt(v.Int64(), 10)
	case parquet.Float:
		return strconv.FormatFloat(float64(v.Float()), 'f', -1, 32)
	case parquet.Double:
		if text := FormatFloat(v.Double()); text != "" {
			return text
		}
		return strconv.FormatFloat(v.Double(), 'f', -1, 64) // NaN and infinities, which a typed reader refuses
	case parquet.ByteArray, parquet.FixedLenByteArray:
		if text := v.ByteArray(); utf8.Valid(text) {
			return string(text)
		}
	default:
	}
	return "?" // binary data and dates of a form long superseded: no column takes it
}

func scaled(v parquet.Value, scale int) string {
	whole := new(big.Int)
	switch v.Kind() {
	case parquet.Int32:
		whole.SetInt64(int64(v.Int32()))
	case parquet.Int64:
		whole.SetInt64(v.Int64())
	default:
		return "?"
	}
	if scale < 0 || scale > 18 {
		return "?"
	}
	power := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(scale)), nil)
	return new(big.Rat).SetFrac(whole, power).FloatString(scale)
}

func unreadableParquet(cause error) error {
	return fault.Invalid("table", "FILE_UNREADABLE", "The file is not a flat Parquet file that can be read. Write it again without nested columns, or as CSV in UTF-8.").Because(cause)
}

// parquetWriter writes optional columns in their order; times are UTC microseconds. The file's metadata names each unit.
type parquetWriter struct {
	file    *parquet.GenericWriter[any]
	columns []Column
}

// ordered is a group whose fields keep their order.
type ordered struct {
	parquet.Group

	names []string
}

// Fields lists the columns in their order.
func (o ordered) Fields() []parquet.Field {
	fields := o.Group.Fields()
	slices.SortFunc(fields, func(a, b parquet.Field) int { return slices.Index(o.names, a.Name()) - slices.Index(o.names, b.Name()) })
	return fields
}

func newParquetWriter(w io.Writer, columns []Column) Writer {
	root := ordered{Group: parquet.Group{}, names: headings(columns)}
	options := []parquet.WriterOption{parquet.Compression(&parquet.Snappy)}
	for _, c := range columns {
		root.Group[c.Heading()] = parquet.Optional(nodeOf(c.Kind))
		if c.Unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit."+c.Heading(), c.Unit))
		}
	}
	return &parquetWriter{file: parquet.NewGenericWriter[any](w, append(options, parquet.NewSchema("table", root))...), columns: columns}
}

func nodeOf(kind Kind) parquet.Node {
	switch kind {
	case Number, Amount:
		return parquet.Leaf(parquet.DoubleType)
	case Integer:
		return parquet.Int(64)
	case Time:
		return parquet.TimestampAdjusted(parquet.Microsecond, true)
	case Date:
		return parquet.Date()
	case Bool:
		return parquet.Leaf(parquet.BooleanType)
	case Text, Hours:
	}
	return parquet.String()
}

// Write writes one row.
func (p *parquetWriter) Write(cells ...string) error {
	if err := checkWidth(cells, p.columns); err != nil {
		return err
	}
	row := make(parquet.Row, len(cells))
	for i, cell := range cells {
		if cell == "" {
			row[i] = parquet.NullValue().Level(0, 0, i)
			continue
		}
		v, err := valueOf(cell, p.columns[i].Kind)
		if err != nil {
			return fmt.Errorf("sheet: column %s: %w", p.columns[i].Heading(), err)
		}
		row[i] = v.Level(0, 1, i)
	}
	_, err := p.file.WriteRows([]parquet.Row{row})
	return err
}

func valueOf(cell string, kind Kind) (parquet.Value, error) {
	switch kind {
	case Number, Amount:
		v, err := strconv.ParseFloat(cell, 64)
		return parquet.DoubleValue(v), err
	case Integer:
		v, err := strconv.ParseInt(cell, 10, 64)
		return parquet.Int64Value(v), err
	case Time:
		at, err := time.Parse(time.RFC3339Nano, cell)
		return parquet.Int64Value(at.UnixMicro()), err
	case Date:
		at, err := time.Parse(time.DateOnly, cell)
		return parquet.Int32Value(int32(math.Floor(float64(at.Unix()) / 86_400))), err
	case Bool:
		return parquet.BooleanValue(cell == "true"), nil
	case Text, Hours:
	}
	return parquet.ByteArrayValue([]byte(strings.ToValidUTF8(cell, "�"))), nil
}

// Close writes the file's end.
func (p *parquetWriter) Close() error { return p.file.Close() }
