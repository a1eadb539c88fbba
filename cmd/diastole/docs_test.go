package main_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/detect/feature"
	"diastole/model/advice"
	"diastole/model/pump"
)

// The documents at the root and in deploy are held to the code: what they promise must be there.

var documents = []string{"README.md", "DEVELOPERS.md", "CHANGELOG.md", "deploy/README.md"}

func readDocument(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestDocumentsLinkToWhatExists(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)#]+)[^)]*\)`)
	for _, name := range documents {
		for _, m := range link.FindAllStringSubmatch(readDocument(t, name), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			if _, err := os.Stat(filepath.Join("..", "..", filepath.Dir(name), m[1])); err != nil {
				t.Errorf("%s links to %s: %v", name, m[1], err)
			}
		}
	}
}

// TestReadmeNamesEveryFaultWithItsKits compares the technician's table with the advice on tickets.
func TestReadmeNamesEveryFaultWithItsKits(t *testing.T) {
	readme := readDocument(t, "README.md")
	for _, f := range pump.Faults() {
		a := advice.For(f, pump.SideUnknown, 0.5, false)
		row := "| `" + string(f) + "` | `" + string(a.Kit) + "`"
		at := strings.Index(readme, row)
		if at < 0 {
			t.Errorf("README.md has no row %q", row)
			continue
		}
		line, _, _ := strings.Cut(readme[at:], "\n")
		for _, k := range a.Bring {
			if !strings.Contains(line, "bring `"+string(k)+"`") {
				t.Errorf("README.md: the row of %s does not say to bring %s: %s", f, k, line)
			}
		}
	}
}

func TestReadmeNamesEveryEventType(t *testing.T) {
	readme := readDocument(t, "README.md")
	for _, e := range []event.Type{
		event.TicketOpened, event.TicketUpdated, event.TicketClosed, event.AdvisoryOpened, event.AdvisoryUpdated,
		event.AdvisoryClosed, event.BaselineLearned, event.BaselineReset, event.Heartbeat,
	} {
		at := strings.LastIndexByte(string(e), '.')
		full, tail := "`"+string(e)+"`", "`"+string(e)[at:]+"`"
		if !strings.Contains(readme, full) && !strings.Contains(readme, tail) {
			t.Errorf("README.md names neither %s nor %s", full, tail)
		}
	}
}

// TestEveryFeatureHasWords: evidence on a ticket speaks in words of its own, in both directions.
func TestEveryFeatureHasWords(t *testing.T) {
	for f := range feature.NumFeatures {
		for _, up := range []bool{true, false} {
			if m := advice.Meaning(f.String(), up); strings.Contains(m, f.String()) {
				t.Errorf("feature %s, up %v, has no words but %q", f, up, m)
			}
		}
		if advice.Meaning(f.String(), true) == advice.Meaning(f.String(), false) {
			t.Errorf("feature %s means the same in both directions", f)
		}
	}
}

// TestReadmeConfigurationIsWhole: the block that the README calls a whole configuration loads as it stands.
func TestReadmeConfigurationIsWhole(t *testing.T) {
	block := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindStringSubmatch(readDocument(t, "README.md"))
	if block == nil {
		t.Fatal("README.md has no yaml block")
	}
	c, err := config.Parse("README.md", []byte(block[1]))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Pumps) != 1 || len(c.Pumps[0].Channels) != 3 {
		t.Errorf("got %d pumps, want one with three channels", len(c.Pumps))
	}
}

// TestDevelopersNamesEveryRoom: the diagram of the house shows each folder of the three rooms.
func TestDevelopersNamesEveryRoom(t *testing.T) {
	_, diagram, _ := strings.Cut(readDocument(t, "DEVELOPERS.md"), "```\n")
	diagram, _, _ = strings.Cut(diagram, "```")
	for _, room := range []string{"agent", "detect", "model"} {
		entries, err := os.ReadDir(filepath.Join("..", "..", room))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			sources, err := filepath.Glob(filepath.Join("..", "..", room, e.Name(), "*.go"))
			if err != nil {
				t.Fatal(err)
			}
			if len(sources) > 0 && !strings.Contains(diagram, "  "+e.Name()+" ") {
				t.Errorf("the diagram in DEVELOPERS.md does not show %s/%s", room, e.Name())
			}
		}
	}
}

// TestExampleConfigurationLoads: the file that an engineer starts from is valid, and shows a pump of the catalogue.
func TestExampleConfigurationLoads(t *testing.T) {
	c, err := config.Load(filepath.Join("..", "..", "deploy", "diastole.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Pumps) != 3 || c.Pumps[1].Settings.Model.Name != "example-two-inch" {
		t.Errorf("got %d pumps, want P-101, P-102 and P-103, the second of the catalogue's model", len(c.Pumps))
	}
	if got := c.Pumps[1].KitNumbers[pump.WetEnd]; got != "EX2-WET-01" {
		t.Errorf("P-102: wet-end kit number %q, want the catalogue's", got)
	}
}
