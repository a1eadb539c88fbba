package diagnose

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"math"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/model/pump"
)

//go:generate go run ../../cmd/signatures -o signatures.json

// signatureFile is what simulated pumps showed; it is made by the command signatures.
//
//go:embed signatures.json
var signatureFile []byte

// Sizes are the sizes at which each hypothesis is followed; 1 calls for a rebuild.
var Sizes = []float64{0.06, 0.15, 0.35, 0.8, 1.6}

// Signature is what one fault or cause does to the pumps of a model, at each of Sizes.
type Signature struct {
	Fault pump.Fault `json:"fault,omitempty"`
	Cause pump.Cause `json:"cause,omitempty"`
	Side  pump.Side  `json:"side,omitempty"`
	// Less marks the lesser of two directions (a liquid that thins, a line that softens).
	Less    bool           `json:"less,omitempty"`
	Effects []chart.Effect `json:"effects"`
}

// ModelTable has the signatures of one pump model.
type ModelTable struct {
	Model      string      `json:"model"`
	Signatures []Signature `json:"signatures"`
}

// EncodeTable writes a table as JSON, a line an effect, its numbers cut to what they are worth.
func EncodeTable(t []ModelTable) ([]byte, error) {
	for _, m := range t {
		for _, s := range m.Signatures {
			for i := range s.Effects {
				for j := range baseline.Dim {
					for _, x := range []*float64{&s.Effects[i].Mean[j], &s.Effects[i].Spread[j], &s.Effects[i].Scatter[j]} {
						*x = math.Round(*x*1e4) / 1e4
					}
				}
			}
		}
	}
	raw, err := json.Marshal(t)
	if err != nil {
		return nil, fmt.Errorf("encode the table of signatures: %w", err)
	}
	raw = bytes.ReplaceAll(raw, []byte(`{"Size"`), []byte("\n{\"Size\""))
	return append(raw, '\n'), nil
}

// DecodeTable reads what EncodeTable wrote.
func DecodeTable(data []byte) ([]ModelTable, error) {
	var t []ModelTable
	if err := json.Unmarshal(data, &t); err != nil {
		return nil, fmt.Errorf("table of signatures: %w", err)
	}
	for _, m := range t {
		for _, s := range m.Signatures {
			if len(s.Effects) != len(Sizes) {
				return nil, fmt.Errorf("table of signatures, %s, %s%s: %d sizes where %d are expected", m.Model, s.Fault, s.Cause, len(s.Effects), len(Sizes))
			}
		}
	}
	return t, nil
}
