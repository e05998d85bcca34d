package main

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"

	"shimwright/calc"
	"shimwright/devices"
	"shimwright/session"
	"shimwright/sqlite"
)

// jobOfEight are the lengths, in micrometres, that killPlan asks for one after the
// other. The last ones give advice.
var jobOfEight = []int64{11_020, 11_020, 11_020, 11_020, 14_010, 14_010, 14_010, 14_010}

// quantile is the q-quantile of sorted times, in milliseconds.
func quantile(times []time.Duration, q float64) float64 {
	slices.Sort(times)
	return times[int(q*float64(len(times)-1))].Seconds() * 1000
}

// BenchmarkPressToMessage measures from the bytes of a press on a pseudo-terminal
// to the reading at an MQTT subscriber, with the durable commit between, beside
// its floor in the same run: a hop through a pseudo-terminal, one commit with
// synchronous=FULL, and a hop through the same broker.
func BenchmarkPressToMessage(b *testing.B) {
	bench := startBench(b, nil)
	floor := newFloor(b)
	heard := make(chan struct{}, 64)
	client := connect(b, bench.brokerAddress(), "bench")
	token := client.Subscribe(bench.topic()+"/reading", 1, func(mqtt.Client, mqtt.Message) { heard <- struct{}{} })
	require.True(b, token.WaitTimeout(5*time.Second))
	tech := newTechnician(demoOptions{speed: mostSpeed}, bench.bench, bench.sims)
	require.NoError(b, tech.untilLive(b.Context()))

	var times, floors []time.Duration
	for n := 0; b.Loop(); n++ {
		if n%len(jobOfEight) == 0 {
			nextJob(b, bench.bench, n > 0)
		}
		floors = append(floors, floor.measure(b))
		start := time.Now()
		require.NoError(b, bench.sims["caliper-1"].Press(micrometres(jobOfEight[n%len(jobOfEight)])))
		<-heard
		times = append(times, time.Since(start))
	}
	b.ReportMetric(quantile(times, 0.5), "ms-median")
	b.ReportMetric(quantile(times, 0.99), "ms-p99")
	b.ReportMetric(quantile(floors, 0.5), "floor-ms-median")
	b.ReportMetric(quantile(floors, 0.99), "floor-ms-p99")
	b.ReportMetric(quantile(times, 0.5)/quantile(floors, 0.5), "x-median")
	b.ReportMetric(quantile(times, 0.99)/quantile(floors, 0.99), "x-p99")
}

func nextJob(b *testing.B, bench *session.Bench, end bool) {
	b.Helper()
	if end {
		_, err := bench.Submit(b.Context(), session.Command{Do: session.End, Note: "next"})
		require.NoError(b, err)
	}
	_, err := bench.Submit(b.Context(), session.Command{Do: session.Begin, Plan: killPlan})
	require.NoError(b, err)
}

func connect(b *testing.B, broker, id string) mqtt.Client {
	b.Helper()
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID(id).SetAutoReconnect(false))
	token := client.Connect()
	require.True(b, token.WaitTimeout(5*time.Second))
	require.NoError(b, token.Error())
	b.Cleanup(func() { client.Disconnect(100) })
	return client
}

// floor is the least that a press can cost: one of each of its parts.
type floor struct {
	sim   *devices.SimulatedInstrument
	port  serial.Port
	db    *sql.DB
	hop   func()
	frame []byte
}

func newFloor(b *testing.B) *floor {
	b.Helper()
	f := &floor{frame: []byte("V+011.02 mm\r\n")}
	var err error
	f.sim, err = devices.Simulate(devices.ExampleProfiles()[0])
	require.NoError(b, err)
	f.port, err = serial.Open(f.sim.Profile().Port, &serial.Mode{BaudRate: 9600})
	require.NoError(b, err)
	f.db = plainDatabase(b)
	f.hop = brokerHop(b)
	b.Cleanup(func() {
		require.NoError(b, f.port.Close())
		require.NoError(b, f.sim.Close())
	})
	return f
}

// measure does each part once, one after the other.
func (f *floor) measure(b *testing.B) time.Duration {
	start := time.Now()
	require.NoError(b, f.sim.Send(f.frame))
	buf := make([]byte, 64)
	for got := 0; got < len(f.frame); {
		n, err := f.port.Read(buf)
		require.NoError(b, err)
		got += n
	}
	_, err := f.db.Exec("INSERT INTO plain (job, kind, body) VALUES ('1', 'reading', ?)", plainBody)
	require.NoError(b, err)
	f.hop()
	return time.Since(start)
}

// plainBody is about as long as the entry of a reading.
var plainBody = bytes.Repeat([]byte("x"), 480)

// plainDatabase is a table as anyone would make it, in WAL mode with FULL syncs.
func plainDatabase(b *testing.B) *sql.DB {
	b.Helper()
	db, err := sql.Open("sqlite3", "file:"+filepath.Join(b.TempDir(), "plain.db")+"?_journal=WAL&_sync=FULL&_txlock=immediate")
	require.NoError(b, err)
	db.SetMaxOpenConns(1)
	_, err = db.Exec("CREATE TABLE plain (seq INTEGER PRIMARY KEY, job TEXT, kind TEXT, body BLOB)")
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, db.Close()) })
	return db
}

// brokerHop publishes a message of a reading's size to a subscriber, with QoS 1,
// through an embedded broker of its own.
func brokerHop(b *testing.B) func() {
	b.Helper()
	address, user, password := startBroker(b)
	heard := make(chan struct{}, 1)
	in := connect(b, address, "in")
	require.True(b, in.Subscribe("floor/#", 1, func(mqtt.Client, mqtt.Message) { heard <- struct{}{} }).WaitTimeout(5*time.Second))
	out := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + address).SetClientID("out").SetUsername(user).SetPassword(password))
	token := out.Connect()
	require.True(b, token.WaitTimeout(5*time.Second))
	require.NoError(b, token.Error())
	b.Cleanup(func() { out.Disconnect(100) })
	return func() {
		out.Publish("floor/v1/x", 1, false, plainBody)
		<-heard
	}
}

// BenchmarkSustained measures readings a second, each acknowledged only after its
// commit, with rulings, standings and advice, beside plain inserts of the same
// entries in batches of the same size.
func BenchmarkSustained(b *testing.B) {
	b.Run("bench", func(b *testing.B) {
		store, err := sqlite.Open(filepath.Join(b.TempDir(), "log.db"))
		require.NoError(b, err)
		bench := offlineBench(b, store)
		b.ResetTimer()
		offerReadings(b, bench, b.N)
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
	})
	b.Run("plain", func(b *testing.B) {
		db := plainDatabase(b)
		b.ResetTimer()
		for done := 0; done < b.N; {
			tx, err := db.Begin()
			require.NoError(b, err)
			insert, err := tx.Prepare("INSERT INTO plain (job, kind, body) VALUES ('1', 'reading', ?)")
			require.NoError(b, err)
			for range min(512, b.N-done) {
				_, err := insert.Exec(plainBody)
				require.NoError(b, err)
				done++
			}
			require.NoError(b, tx.Commit())
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "inserts/s")
	})
}

// offlineBench runs a bench without faces on a log.
func offlineBench(b *testing.B, store *sqlite.Log) *session.Bench {
	b.Helper()
	caliper := devices.ExampleProfiles()[0]
	bench, err := session.NewBench(session.Config{Name: "bench-1", Method: calc.NewMethod(), Clock: newRunClock(), Log: store, Profiles: []session.Profile{caliper}}, store.Replay)
	require.NoError(b, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- bench.Run(ctx) }()
	b.Cleanup(func() {
		stop()
		require.NoError(b, <-ended)
		require.NoError(b, store.Close())
	})
	return bench
}

// offerReadings gives the bench n readings in whole jobs and waits for the last
// acknowledgement.
func offerReadings(b *testing.B, bench *session.Bench, n int) {
	b.Helper()
	var wait sync.WaitGroup
	failed := make(chan string, 1)
	offer := func(item any) {
		wait.Add(1)
		require.NoError(b, bench.Offer(b.Context(), item, func(r session.Receipt, err error) {
			if err != nil || (r.Ruling != "" && r.Ruling != session.Filed) {
				select {
				case failed <- fmt.Sprint(r.Ruling, r.Why, err):
				default:
				}
			}
			wait.Done()
		}))
	}
	for i := range n {
		if i%len(jobOfEight) == 0 {
			if i > 0 {
				offer(session.Command{Do: session.End, Note: "next"})
			}
			offer(session.Command{Do: session.Begin, Plan: killPlan})
		}
		length := micrometres(jobOfEight[i%len(jobOfEight)])
		offer(session.Reading{
			Instrument: "caliper-1", Kind: session.Caliper, Value: length, Text: strings.TrimSuffix(length.String(), "0"), Unit: session.Millimetre,
			Raw: session.Raw("V+0" + length.String() + " mm\r\n"),
		})
	}
	wait.Wait()
	select {
	case why := <-failed:
		b.Fatal(why)
	default:
	}
}
