package store

import (
	"database/sql/driver"
	"reflect"
	"strings"
	"time"
	"unicode/utf8"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// columns turns domain values into what the drivers store. A text that PostgreSQL would not take is refused for SQLite too.
func columns(args []any) ([]any, error) {
	out := make([]any, len(args))
	for i, a := range args {
		out[i] = column(a)
	}
	return out, storable(out)
}

func column(a any) any {
	switch v := a.(type) {
	case nil, []byte, string, bool, int64, int, float64, key, instant, day, text:
		return a
	case ident.ID:
		return key(v)
	case time.Time:
		return instant(v)
	case civil.Date:
		return day(v)
	case driver.Valuer:
		return a
	}
	switch v := reflect.ValueOf(a); v.Kind() {
	case reflect.String:
		return v.String()
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return v.Int()
	case reflect.Bool:
		return v.Bool()
	}
	return a
}

// storable refuses texts with NUL or broken UTF-8.
func storable(args []any) error {
	for _, a := range args {
		var s string
		switch v := a.(type) {
		case string:
			s = v
		case text:
			s = string(v)
		case *string:
			if v != nil {
				s = *v
			}
		}
		if strings.IndexByte(s, 0) >= 0 || !utf8.ValidString(s) {
			return fault.New(fault.BadText)
		}
	}
	return nil
}
