package store

import (
	"database/sql/driver"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5/pgtype"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// The column types of private row structs. Each stores the zero value of its domain type as NULL and reads NULL as zero.

// key is an identifier: 16 bytes on SQLite, uuid on PostgreSQL.
type key ident.ID

// Value implements driver.Valuer; SQLite uses it.
func (k key) Value() (driver.Value, error) {
	if k == (key{}) {
		return nil, nil
	}
	return k[:], nil
}

// UUIDValue implements pgtype.UUIDValuer; PostgreSQL uses it.
func (k key) UUIDValue() (pgtype.UUID, error) { return pgtype.UUID{Bytes: k, Valid: k != (key{})}, nil }

// Scan implements sql.Scanner.
func (k *key) Scan(src any) error {
	var id ident.ID
	var err error
	switch v := src.(type) {
	case nil:
	case []byte:
		id, err = ident.FromBytes(v)
	case string:
		id, err = ident.Parse(v)
	case [16]byte:
		id = v
	default:
		err = fmt.Errorf("store: a %T is no identifier", src)
	}
	*k = key(id)
	return err
}

// GormDataType keeps gorm from guessing.
func (key) GormDataType() string { return "bytes" }

// instant is a moment as UTC milliseconds since 1970.
type instant time.Time

// Value implements driver.Valuer.
func (i instant) Value() (driver.Value, error) {
	if time.Time(i).IsZero() {
		return nil, nil
	}
	return time.Time(i).UnixMilli(), nil
}

// Scan implements sql.Scanner.
func (i *instant) Scan(src any) error {
	switch v := src.(type) {
	case nil:
		*i = instant{}
	case int64:
		*i = instant(time.UnixMilli(v).UTC())
	default:
		return fmt.Errorf("store: a %T is no instant", src)
	}
	return nil
}

// GormDataType keeps gorm from guessing.
func (instant) GormDataType() string { return "int" }

// time gives the moment in UTC.
func (i instant) time() time.Time { return time.Time(i) }

// day is a civil date as text YYYY-MM-DD.
type day civil.Date

// Value implements driver.Valuer.
func (d day) Value() (driver.Value, error) {
	if civil.Date(d).IsZero() {
		return nil, nil
	}
	return civil.Date(d).String(), nil
}

// Scan implements sql.Scanner.
func (d *day) Scan(src any) error {
	text := ""
	switch v := src.(type) {
	case nil:
	case string:
		text = v
	case []byte:
		text = string(v)
	default:
		return fmt.Errorf("store: a %T is no date", src)
	}
	return (*civil.Date)(d).UnmarshalText([]byte(text))
}

// GormDataType keeps gorm from guessing.
func (day) GormDataType() string { return "string" }

// text is a string whose empty value is stored as NULL.
type text string

// Value implements driver.Valuer.
func (t text) Value() (driver.Value, error) {
	if t == "" {
		return nil, nil
	}
	return string(t), nil
}

// Scan implements sql.Scanner.
func (t *text) Scan(src any) error {
	switch v := src.(type) {
	case nil:
		*t = ""
	case string:
		*t = text(v)
	case []byte:
		*t = text(v)
	default:
		return fmt.Errorf("store: a %T is no text", src)
	}
	return nil
}

// GormDataType keeps gorm from guessing.
func (text) GormDataType() string { return "string" }
