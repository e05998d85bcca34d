package session

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestAPartThatIsStillWarmIsNotMeasured(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.do(Command{Do: Next, Step: "pump-depth"})
	r.do(Command{Do: TakeTemperature, Of: "pump-half", Celsius: "52.0"})
	got := r.press("depth-1", "37.41")
	require.Equal(t, NoStep, got.Ruling)
	require.Equal(t, "part warm", got.Why.Code)
	require.Equal(t, "30", got.Why.Params["wait_minutes"], "32 K above 20 °C is two halvings from 8 K, of 15 minutes each")

	r.do(Command{Do: TakeTemperature, Of: Shop, Celsius: "26.5", U: "0.3"})
	r.do(Command{Do: TakeTemperature, Of: "pump-half", Celsius: "34.5"})
	require.Equal(t, Filed, r.press("depth-1", "37.41").Ruling, "8 K above the shop is the limit itself")
	r.do(Command{Do: TakeTemperature, Of: "pump-half", Celsius: "34.6"})
	require.Equal(t, "part warm", r.press("depth-1", "37.41").Why.Code)
}

func TestTemperaturesThatAreRefused(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	require.Equal(t, "no such part", r.refused(Command{Do: TakeTemperature, Of: "piston", Celsius: "20"}))
	for _, c := range []Command{{Celsius: "hot"}, {Celsius: "9999"}, {Celsius: "20", U: "-1"}, {Celsius: "20", U: "x"}, {}} {
		c.Do, c.Of = TakeTemperature, Shop
		require.Equal(t, "bad temperature", r.refused(c), "%+v", c)
	}
}

func TestAJobCarriesTheProfilesOfItsReadings(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	count := func() (n int) {
		require.NoError(t, r.log.replay(-1)(func(e Entry) error {
			if b, ok := e.Body.(InstrumentUsed); ok && e.Job == "1" {
				require.Equal(t, "caliper-1", b.Profile.Name)
				n++
			}
			return nil
		}))
		return n
	}
	require.Zero(t, count())
	r.press("depth-1", "37.41")
	require.Zero(t, count(), "a reading that does not count needs no profile")
	r.press("caliper-1", "52.54")
	r.press("caliper-1", "52.54")
	require.Equal(t, 1, count())
	r.start()
	r.press("caliper-1", "52.54")
	require.Equal(t, 1, count(), "the same profile in another run")
}
