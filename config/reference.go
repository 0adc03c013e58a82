package config

import (
	"fmt"
	"strings"
)

// Reference is the page on every setting, as Markdown. It is made of what Read goes
// by, so that it cannot say otherwise.
func Reference() string {
	var b strings.Builder
	b.WriteString(`# Settings

Written by ` + "`go test ./config -run Reference -update`" + ` from the settings as the program reads them; a test fails while the
two differ. ` + "`tidemark serve --help`" + ` says the same, ` + "`tidemark check`" + ` whether yours hold.

Each is an environment variable, or a line ` + "`NAME: value`" + ` of the YAML file that ` + "`--config`" + ` names; the environment goes before
the file, and a variable that is empty counts as not set. All problems are reported at once, and nothing is served until
there are none. Times are written as 30s, 5m or 24h. Files of secrets, keys and certificates should be readable for the
server's user alone.

| setting | default | meaning |
|---|---|---|
`)
	for _, s := range All() {
		writeSetting(&b, s)
	}
	b.WriteString(`
## Of each target

` + "`" + ehrSetting + "`" + ` may be a list in the file, with these names for each server that scores are written back to; a dot stands for a level
of the list, as in ` + "`auth: {type: basic}`" + `. With a list, ` + "`TIDEMARK_EHR_*`" + ` are not set.

| setting | default | meaning |
|---|---|---|
`)
	for _, s := range TargetSettings() {
		writeSetting(&b, s)
	}
	return b.String()
}

func writeSetting(b *strings.Builder, s Setting) {
	value := ""
	if s.Default != "" {
		value = "`" + s.Default + "`"
	}
	fmt.Fprintf(b, "| `%s` | %s | %s |\n", s.Name, value, strings.NewReplacer("|", `\|`, "<", "&lt;").Replace(s.Help))
}
