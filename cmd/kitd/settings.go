package main

import (
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"reflect"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
	"github.com/pelletier/go-toml/v2"
)

// settings are what a site configures. Each is a flag, a KITD_… variable and a key of the TOML file, in this order of
// precedence; a key "host" in the table [smtp] is the flag --smtp-host. Secrets may also come from a file named by KITD_…_FILE.
type settings struct {
	Database       string   `env:"KITD_DATABASE" default:"sqlite:kitd-data/kitd.db" help:"sqlite:PATH or postgres://… (${env})."`
	Listen         string   `env:"KITD_LISTEN" default:"127.0.0.1:8080" help:"Address to serve on; beyond loopback only when told so."`
	PublicURL      string   `name:"public-url" env:"KITD_PUBLIC_URL" help:"Address people and calendar programs use, https://… behind a proxy or with TLS."`
	TLSCertificate string   `name:"tls-certificate" env:"KITD_TLS_CERTIFICATE" help:"PEM file; with tls-key kitd serves HTTPS itself." type:"path"`
	TLSKey         string   `name:"tls-key" env:"KITD_TLS_KEY" help:"PEM file of the private key." type:"path"`
	TrustedProxies []string `name:"trusted-proxies" env:"KITD_TRUSTED_PROXIES" help:"Addresses or networks whose X-Forwarded headers are believed."`
	LogLevel       string   `name:"log-level" env:"KITD_LOG_LEVEL" enum:"debug,info,warn,error" default:"info" help:"debug, info, warn or error."`
	LogFormat      string   `name:"log-format" env:"KITD_LOG_FORMAT" enum:"text,json" default:"text" help:"text or json."`

	SMTPHost     string `name:"smtp-host" env:"KITD_SMTP_HOST" help:"Mail server; without one reminders wait in the outbox."`
	SMTPPort     int    `name:"smtp-port" env:"KITD_SMTP_PORT" default:"587" help:"Its port."`
	SMTPSecurity string `name:"smtp-security" env:"KITD_SMTP_SECURITY" enum:"starttls,tls,none" default:"starttls" help:"starttls, tls or none."`
	SMTPCA       string `name:"smtp-ca" env:"KITD_SMTP_CA" help:"PEM file of the authority that signed the mail server's certificate, when it is the site's own." type:"path"`
	SMTPUser     string `name:"smtp-user" env:"KITD_SMTP_USER" help:"User at the mail server; empty: no authentication."`
	SMTPPassword string `name:"smtp-password" env:"KITD_SMTP_PASSWORD" secret:"" help:"Password at the mail server."`
	MailFrom     string `name:"mail-from" env:"KITD_MAIL_FROM" default:"kitd@localhost" help:"Sender of kitd's mail."`
	RemindTo     string `name:"remind-to" env:"KITD_REMIND_TO" help:"Where reminders go beside the coordinators' own addresses."`

	MailDomain   string `name:"mail-domain" env:"KITD_MAIL_DOMAIN" help:"Domain of the addresses that kits (CODE@…) and depots (any-CODE@…) are invited at."`
	LMTPListen   string `name:"lmtp-listen" env:"KITD_LMTP_LISTEN" help:"Where the site's mail server hands over invitations: unix:/path or 127.0.0.1:port; empty: none are taken."`
	MailAuthserv string `name:"mail-authserv" env:"KITD_MAIL_AUTHSERV" help:"Name with which the site's mail server signs its Authentication-Results; none: senders are believed without."`
}

// check finds settings that contradict each other before anything is opened.
func (s settings) check() error {
	if (s.TLSCertificate == "") != (s.TLSKey == "") {
		return errors.New("tls-certificate and tls-key belong together: give both or neither")
	}
	if s.PublicURL != "" {
		u, err := url.Parse(s.PublicURL)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			return fmt.Errorf("public-url %q: give an address such as https://kits.example.org", s.PublicURL)
		}
	}
	if s.LMTPListen != "" && (s.MailDomain == "" || s.MailAuthserv == "") {
		return errors.New("lmtp-listen needs mail-domain and mail-authserv too: which addresses are kitd's, and whose word for senders counts (none: nobody's is asked for)")
	}
	if s.SMTPUser != "" && s.SMTPSecurity == "none" && !loopbackHost(s.SMTPHost) {
		return errors.New("smtp-security none would send the password in the clear to another machine: choose starttls or tls")
	}
	return nil
}

func loopbackHost(h string) bool {
	return h == "localhost" || strings.HasPrefix(h, "127.") || h == "::1"
}

// print writes the effective values as TOML; secrets only say whether they are set.
func (s settings) print(w io.Writer) error {
	v, t := reflect.ValueOf(s), reflect.TypeFor[settings]()
	for i := range t.NumField() {
		f := t.Field(i)
		value := v.Field(i).Interface()
		if _, secret := f.Tag.Lookup("secret"); secret && value != "" {
			value = "(hidden)"
		}
		line, err := toml.Marshal(map[string]any{flagName(f): value})
		if err != nil {
			return err
		}
		if _, err := w.Write(line); err != nil {
			return err
		}
	}
	return nil
}

func flagName(f reflect.StructField) string {
	if name := f.Tag.Get("name"); name != "" {
		return name
	}
	return strings.ToLower(f.Name)
}

// settingFields indexes the settings by flag name.
func settingFields() map[string]reflect.StructField {
	fields := map[string]reflect.StructField{}
	t := reflect.TypeFor[settings]()
	for i := range t.NumField() {
		fields[flagName(t.Field(i))] = t.Field(i)
	}
	return fields
}

// fromFile reads a configuration file into flag names. Unknown keys are errors that name the nearest known one.
func fromFile(path string) (map[string]any, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var tree map[string]any
	if err := toml.Unmarshal(data, &tree); err != nil {
		var syntax *toml.DecodeError
		if errors.As(err, &syntax) {
			row, col := syntax.Position()
			return nil, fmt.Errorf("%s, line %d, column %d: %s", path, row, col, syntax.Error())
		}
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	flat := map[string]any{}
	flatten("", tree, flat)
	known := settingFields()
	for key := range flat {
		if _, ok := known[key]; !ok {
			return nil, fmt.Errorf("%s: unknown key %q; did you mean %q? `kitd config` lists them all", path, key, nearest(key, known))
		}
	}
	return flat, nil
}

func flatten(prefix string, tree, into map[string]any) {
	for k, v := range tree {
		key := strings.ReplaceAll(prefix+k, "_", "-")
		if sub, ok := v.(map[string]any); ok {
			flatten(key+"-", sub, into)
			continue
		}
		into[key] = v
	}
}

// nearest is the known name that shares the longest start or end with key.
func nearest(key string, known map[string]reflect.StructField) string {
	best, most := "", -1
	names := make([]string, 0, len(known))
	for k := range known {
		names = append(names, k)
	}
	slices.Sort(names)
	for _, k := range names {
		n := 0
		for n < min(len(k), len(key)) && k[n] == key[n] {
			n++
		}
		tail := 0
		for tail < min(len(k), len(key)) && k[len(k)-1-tail] == key[len(key)-1-tail] {
			tail++
		}
		if n+tail > most {
			best, most = k, n+tail
		}
	}
	return best
}

// resolver fills flags that neither the command line nor the environment set, from …_FILE secrets and the configuration file.
func resolver(file map[string]any) kong.Resolver {
	known := settingFields()
	return kong.ResolverFunc(func(_ *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
		field, ok := known[flag.Name]
		if !ok {
			return nil, nil
		}
		env := field.Tag.Get("env")
		if _, set := os.LookupEnv(env); set {
			return nil, nil
		}
		if _, secret := field.Tag.Lookup("secret"); secret {
			if path, set := os.LookupEnv(env + "_FILE"); set {
				data, err := os.ReadFile(path)
				return strings.TrimRight(string(data), "\r\n"), err
			}
		}
		if value, ok := file[flag.Name]; ok {
			if _, list := value.([]any); list {
				return value, nil // kong reads lists element by element
			}
			return fmt.Sprint(value), nil
		}
		return nil, nil
	})
}

// strangers are KITD_… variables that no setting reads: most often a misspelt one, so starting is refused.
func strangers() error {
	known := map[string]bool{"KITD_CONFIG": true}
	for _, f := range settingFields() {
		env := f.Tag.Get("env")
		known[env] = true
		if _, secret := f.Tag.Lookup("secret"); secret {
			known[env+"_FILE"] = true
		}
	}
	for _, pair := range os.Environ() {
		name, _, _ := strings.Cut(pair, "=")
		if strings.HasPrefix(name, "KITD_") && !strings.HasPrefix(name, "KITD_TEST") && !known[name] {
			return fmt.Errorf("the environment sets %s, which kitd does not know; `kitd serve --help` lists the variables", name)
		}
	}
	return nil
}
