package config

import "testing"

func TestEffective(t *testing.T) {
	t.Setenv("STATE_DIRECTORY", "/state") // so that the machine of the test does not show
	for _, name := range []string{"contract", "good-full"} {
		c, err := Load("testdata/" + name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		data, err := Effective(c)
		if err != nil {
			t.Fatal(err)
		}
		golden(t, "testdata/effective-"+name+".txt", string(data))
	}
}
