// Package plain writes what a value remembers as bytes, and reads it back: its
// booleans, numbers and texts, in arrays, slices and structs of such, times
// too, whether or not their fields are exported. What points elsewhere
// (pointers, maps, interfaces, functions, channels) is left out and left as it
// is, and so is a field with the tag `plain:"-"`: those are for whoever owns
// the value to fill in.
//
// The bytes do not name their fields. [Shape] does: bytes that were written of
// a value of another shape must not be read.
package plain

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"reflect"
	"time"
)

// ErrShort is returned for bytes that end too early or cannot be of the value.
var ErrShort = errors.New("the bytes end too early, or are of something else")

// longest bounds texts and slices: nothing that is remembered comes near it.
const longest = 1 << 20

var timeType = reflect.TypeFor[time.Time]()

// kept reports whether a field of a struct, or the elements of a list, are
// written.
func kept(t reflect.Type) bool {
	switch t.Kind() {
	case reflect.Pointer, reflect.Map, reflect.Interface, reflect.Func, reflect.Chan, reflect.UnsafePointer, reflect.Uintptr,
		reflect.Complex64, reflect.Complex128:
		return false
	case reflect.Slice, reflect.Array:
		return kept(t.Elem())
	}
	return true
}

func keptField(f reflect.StructField) bool { return kept(f.Type) && f.Tag.Get("plain") != "-" }

// Shape is a hash over the names and kinds of all that is written of the value
// that v points to.
func Shape(v any) uint64 {
	h := fnv.New64a()
	shape(h, reflect.TypeOf(v).Elem())
	return h.Sum64()
}

func shape(w io.Writer, t reflect.Type) {
	fmt.Fprintf(w, "%s ", t.Kind())
	switch {
	case t == timeType:
	case t.Kind() == reflect.Array:
		fmt.Fprintf(w, "%d ", t.Len())
		shape(w, t.Elem())
	case t.Kind() == reflect.Slice:
		shape(w, t.Elem())
	case t.Kind() == reflect.Struct:
		for i := range t.NumField() {
			if f := t.Field(i); keptField(f) {
				fmt.Fprintf(w, "%s ", f.Name)
				shape(w, f.Type)
			}
		}
		io.WriteString(w, "end ")
	}
}

// Append adds the value that v points to to data.
func Append(data []byte, v any) []byte { return add(data, reflect.ValueOf(v).Elem()) }

func add(data []byte, v reflect.Value) []byte {
	switch {
	case v.Type() == timeType:
		at := open(v).Interface().(time.Time)
		if at.IsZero() {
			return append(data, 0)
		}
		return binary.AppendVarint(append(data, 1), at.UnixNano())
	case v.CanInt():
		return binary.AppendVarint(data, v.Int())
	case v.CanUint():
		return binary.AppendUvarint(data, v.Uint())
	case v.Kind() == reflect.Float32:
		return binary.LittleEndian.AppendUint32(data, math.Float32bits(float32(v.Float())))
	case v.CanFloat():
		return binary.LittleEndian.AppendUint64(data, math.Float64bits(v.Float()))
	}
	switch v.Kind() {
	case reflect.Bool:
		if v.Bool() {
			return append(data, 1)
		}
		return append(data, 0)
	case reflect.String:
		return append(binary.AppendUvarint(data, uint64(v.Len())), v.String()...)
	case reflect.Slice:
		data = binary.AppendUvarint(data, uint64(v.Len()))
		fallthrough
	case reflect.Array:
		for i := range v.Len() {
			data = add(data, v.Index(i))
		}
	case reflect.Struct:
		t := v.Type()
		for i := range v.NumField() {
			if keptField(t.Field(i)) {
				data = add(data, v.Field(i))
			}
		}
	}
	return data
}

// Read fills the value that v points to from the beginning of data and returns
// the rest. After an error the value is half filled.
func Read(data []byte, v any) (rest []byte, err error) {
	r := reader{data: data}
	r.fill(reflect.ValueOf(v).Elem())
	return r.data, r.err
}

// Shift adds by to every number of the type int64 itself, 0 apart, of the value
// that v points to: those are instants, and 0 is never. Numbers of other types
// and times are left as they are.
func Shift(v any, by int64) { shift(reflect.ValueOf(v).Elem(), by) }

var instant = reflect.TypeFor[int64]()

func shift(v reflect.Value, by int64) {
	v = open(v)
	switch {
	case v.Type() == timeType:
	case v.Type() == instant:
		if v.Int() != 0 {
			v.SetInt(v.Int() + by)
		}
	case v.Kind() == reflect.Struct:
		t := v.Type()
		for i := range v.NumField() {
			if keptField(t.Field(i)) {
				shift(v.Field(i), by)
			}
		}
	case kept(v.Type()) && (v.Kind() == reflect.Slice || v.Kind() == reflect.Array):
		for i := range v.Len() {
			shift(v.Index(i), by)
		}
	}
}

type reader struct {
	data []byte
	err  error
}

// take returns the next n bytes.
func (r *reader) take(n int) []byte {
	if r.err != nil || n < 0 || n > len(r.data) {
		r.err = ErrShort
		return nil
	}
	taken := r.data[:n]
	r.data = r.data[n:]
	return taken
}

func (r *reader) uvarint() uint64 {
	x, n := binary.Uvarint(r.data)
	if n <= 0 {
		r.err = ErrShort
		return 0
	}
	r.take(n)
	return x
}

func (r *reader) varint() int64 {
	x, n := binary.Varint(r.data)
	if n <= 0 {
		r.err = ErrShort
		return 0
	}
	r.take(n)
	return x
}

func (r *reader) length() int {
	n := r.uvarint()
	if n > longest {
		r.err = ErrShort
		return 0
	}
	return int(n)
}

func (r *reader) fill(v reflect.Value) {
	if r.err != nil {
		return
	}
	v = open(v)
	switch {
	case v.Type() == timeType:
		at := time.Time{}
		if b := r.take(1); r.err == nil && b[0] != 0 {
			at = time.Unix(0, r.varint())
		}
		v.Set(reflect.ValueOf(at))
		return
	case v.CanInt():
		v.SetInt(r.varint())
		return
	case v.CanUint():
		v.SetUint(r.uvarint())
		return
	case v.Kind() == reflect.Float32:
		if b := r.take(4); r.err == nil {
			v.SetFloat(float64(math.Float32frombits(binary.LittleEndian.Uint32(b))))
		}
		return
	case v.CanFloat():
		if b := r.take(8); r.err == nil {
			v.SetFloat(math.Float64frombits(binary.LittleEndian.Uint64(b)))
		}
		return
	}
	r.fillOther(v)
}

func (r *reader) fillOther(v reflect.Value) {
	switch v.Kind() {
	case reflect.Bool:
		if b := r.take(1); r.err == nil {
			v.SetBool(b[0] != 0)
		}
	case reflect.String:
		v.SetString(string(r.take(r.length())))
	case reflect.Slice:
		n := r.length()
		v.SetZero()
		for i := 0; i < n && r.err == nil; i++ {
			one := reflect.New(v.Type().Elem()).Elem()
			r.fill(one)
			v.Set(reflect.Append(v, one))
		}
	case reflect.Array:
		for i := range v.Len() {
			r.fill(v.Index(i))
		}
	case reflect.Struct:
		t := v.Type()
		for i := range v.NumField() {
			if keptField(t.Field(i)) {
				r.fill(v.Field(i))
			}
		}
	}
}

// open gives access to a field that is not exported. Nothing but what the
// caller owns and pointed to is reached that way.
func open(v reflect.Value) reflect.Value {
	if v.CanSet() || !v.CanAddr() {
		return v
	}
	return reflect.NewAt(v.Type(), v.Addr().UnsafePointer()).Elem()
}
