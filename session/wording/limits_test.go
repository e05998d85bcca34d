package wording_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"shimwright/session"
	"shimwright/session/wording"
)

func TestLimits(t *testing.T) {
	least, most, value, u := num(t, "12.00"), num(t, "12.20"), num(t, "12.104"), num(t, "0.041")
	v := session.LimitsView{Least: &least, Most: &most}
	assert.Equal(t, "limits 12.00 to 12.20 mm", wording.English.Limits(&v))
	v.Value, v.Expanded, v.Outcome = &value, &u, "shown inside"
	assert.Equal(t, "12.104 +/- 0.041 mm, shown inside (12.00 to 12.20 mm)", wording.English.Limits(&v))
	v.Outcome, v.Least = "shown outside", nil
	assert.Equal(t, "12.104 +/- 0.041 mm, shown outside (at most 12.20 mm)", wording.English.Limits(&v))
	v.Outcome, v.Least, v.Most = "not shown", &least, nil
	assert.Equal(t, "12.104 +/- 0.041 mm, not shown inside (at least 12.00 mm)", wording.English.Limits(&v))
	assert.Equal(t, "at least 12.00 mm", wording.English.Bounds(v))
	assert.Empty(t, wording.English.Limits(nil))
	s := session.StepView{Closed: true, Limits: &v, Value: &value}
	assert.Equal(t, "closed at 12.104 mm, 12.104 +/- 0.041 mm, not shown inside (at least 12.00 mm)", wording.English.Progress(s))
	assert.Equal(t, "closed; not shown", wording.English.State(s))
}

func TestLimitsThatAreNotKept(t *testing.T) {
	p := map[string]string{"step": "seal-depth", "value": "12.40", "expanded": "0.041", "least": "12.00", "most": "12.20"}
	assert.Equal(t, "seal-depth is 12.40 mm +/- 0.041, which is shown outside its limits (12.00 to 12.20 mm); it does not keep its limits",
		wording.English.Finding(session.Reason{Code: "limits not kept", Params: p}))
	delete(p, "least")
	assert.Equal(t, "seal-depth is 12.40 mm +/- 0.041, which is not shown inside its limits (at most 12.20 mm); measure it better, or decide",
		wording.English.Finding(session.Reason{Code: "limits not shown", Params: p}))
	assert.Equal(t, "x cannot be held against its limits (no instrument)", wording.English.Reason(session.Reason{Code: "cannot be judged", Params: map[string]string{"step": "x", "why": "no instrument"}}))
	assert.NotContains(t, p, "bounds", "parameters are not changed")
}
