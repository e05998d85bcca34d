package session

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// asking is a plan with questions: the short bottom end whose window and one of whose bearings are asked.
func asking(t *testing.T) string {
	plan := readPlanFile(t, "pump-bottom-end-short.toml")
	plan = replacing(t, `least = "0.10"`, `least = "{least}"`)(plan)
	plan = replacing(t, "[[bearing]]\nname = \"flywheel-bearing\"", "[[bearing]]\nonly_if = \"{ball} = yes\"\nname = \"flywheel-bearing\"")(plan)
	questions := `
[[ask]]
name = "least"
question = "Smallest end float"
example = "0.10"

[[ask]]
name = "ball"
question = "Is it a ball bearing"
example = "yes"
usual = "yes"
choices = ["yes", "no: no"]
`
	return replacing(t, "[[part]]", questions+"\n[[part]]")(plan)
}

func TestAPlanThatAsksIsAnswered(t *testing.T) {
	text := asking(t)
	names := []string{}
	for _, q := range Questions([]byte(text)) {
		names = append(names, q.Name)
	}
	require.Equal(t, []string{"least", "ball"}, names)
	_, err := ReadPlan("p.toml", []byte(text))
	require.NoError(t, err, "with its examples it is sound")

	r := newRig(t)
	require.Equal(t, "answers missing", r.refused(Command{Do: Begin, Plan: text}))
	require.Equal(t, "no such question", r.refused(Command{Do: Begin, Plan: text, Answers: map[string]string{"least": "0.08", "colour": "red"}}))
	require.Equal(t, "bad answer", r.refused(Command{Do: Begin, Plan: text, Answers: map[string]string{"least": "0.08", "ball": "perhaps"}}))
	require.Equal(t, "bad answer", r.refused(Command{Do: Begin, Plan: text, Answers: map[string]string{"least": `0.08"`}}))
	require.Equal(t, "bad answer", r.refused(Command{Do: Begin, Plan: text, Answers: map[string]string{"least": ""}}))
	require.Equal(t, "bad text", r.refused(Command{Do: Begin, Plan: text, Answers: map[string]string{"least": "a\x00"}}))
	require.Equal(t, "bad plan", r.refused(Command{Do: Begin, Plan: text, Answers: map[string]string{"least": "thin"}}))
	r.do(Command{Do: Begin, Plan: text, Answers: map[string]string{"least": "0.09"}})
	require.Equal(t, "0.09", r.bench.state.job.plan.Chains[0].Least.String())
	require.Len(t, r.bench.state.job.plan.Bearings, 2, "the usual answer")
	require.Empty(t, Questions([]byte(r.bench.state.read.text)), "what is in the log has no open question")
}

func TestWhatIsNotChosenIsLeftOut(t *testing.T) {
	answered, no := Answer([]byte(asking(t)), map[string]string{"least": "0.10", "ball": "no"})
	require.Nil(t, no)
	require.Equal(t, strings.Count(asking(t), "\n"), strings.Count(string(answered), "\n"), "mistakes keep their lines")
	plan, err := ReadPlan("p.toml", answered)
	require.NoError(t, err)
	require.Len(t, plan.Bearings, 1)
	require.GreaterOrEqual(t, plan.bar("ground-bar"), 0)

	inner := "[[chain]]\nonly_if = \"a = b\"\nname = \"x\"\n[[chain.side]]\nname = \"y\"\n[[stock]]\ncount = 1\n"
	require.Equal(t, "\n\n\n\n\n[[stock]]\ncount = 1\n", chosen(inner), "tables inside go with it")
}

func TestAPlanThatNeedsNoAnswersTakesNone(t *testing.T) {
	text := readPlanFile(t, "pump-bottom-end-short.toml")
	require.Empty(t, Questions([]byte(text)))
	answered, no := Answer([]byte(text), nil)
	require.Nil(t, no)
	require.Equal(t, text, string(answered))
	require.Empty(t, Questions([]byte("[[ask]]\nname = ")), "a text that is no TOML asks nothing")
}

func TestQuestionsThatCannotBe(t *testing.T) {
	for _, c := range []struct{ old, with, want string }{
		{`name = "least"`, `name = "Least"`, "cannot be typed as a name"},
		{`usual = "yes"`, `usual = "maybe"`, `choose one of yes, no`},
		{`question = "Smallest end float"`, ``, "question"},
		{`example = "0.10"`, `example = "a{b}"`, "is no answer to"},
	} {
		_, err := ReadPlan("p.toml", []byte(replacing(t, c.old, c.with)(asking(t))))
		require.ErrorContains(t, err, c.want)
	}
}

func TestAnyShaftIsAskedFor(t *testing.T) {
	text := []byte(readPlanFile(t, "any-end-float.toml"))
	answers := map[string]string{}
	for _, q := range Questions(text) {
		answers[q.Name] = q.Example
	}
	for _, bar := range []string{"yes", "no"} {
		for _, gasket := range []string{"yes", "no"} {
			for _, bearings := range []string{"yes", "no"} {
				answers["bar"], answers["gasket"], answers["bearings"] = bar, gasket, bearings
				answered, no := Answer(text, answers)
				require.Nil(t, no)
				plan, err := ReadPlan("any.toml", answered)
				require.NoError(t, err)
				require.Equal(t, bar == "yes", len(plan.Bars) == 1)
				require.Equal(t, gasket == "yes", len(plan.Chains[0].Terms) == 4)
				require.Equal(t, bearings == "yes", len(plan.Bearings) == 2)
				require.Equal(t, "shaft-20", plan.Shims)
			}
		}
	}
}
