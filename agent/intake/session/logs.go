package session

import (
	"fmt"
	"log/slog"
	"strings"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// BridgeLogs sends what the MQTT library says to log, at level Debug: its errors are those of connections,
// which a session tells in its own words. The library's loggers are package variables, so this is called
// once, by the program, before the first session.
func BridgeLogs(log *slog.Logger) {
	mqtt.CRITICAL = bridge{log, "critical"}
	mqtt.ERROR = bridge{log, "error"}
	mqtt.WARN = bridge{log, "warning"}
}

// bridge is one of the library's loggers.
type bridge struct {
	log   *slog.Logger
	level string
}

// Println logs its arguments as one line.
func (b bridge) Println(v ...any) {
	b.log.Debug("mqtt library", "severity", b.level, "text", strings.TrimSpace(fmt.Sprintln(v...)))
}

// Printf logs the formatted line.
func (b bridge) Printf(format string, v ...any) {
	b.log.Debug("mqtt library", "severity", b.level, "text", strings.TrimSpace(fmt.Sprintf(format, v...)))
}
