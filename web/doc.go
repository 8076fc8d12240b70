// Package web is the service between a session and the person at the mount:
// the page, its live state over a websocket, and the commands the page sends.
//
//	stage                     file          what it owns
//	wire format               state.go      [State]: the only JSON names of the program's state
//	view to wire              view.go       [StateFromView]
//	newest state to all       hub.go        a mutex, a map and a mailbox of one per client
//	websocket                 live.go       one writer and one reader for each client
//	what the page shows of it plan.go       the exposures planned
//	                          watch.go      ordinary exposures
//	                          habits.go     the proof by the sky, and how the mount tracks
//	                          correction.go place and clock put right
//	                          wrongway.go   a bolt turned the wrong way
//	                          cadence.go    when the next frame is overdue
//	                          said.go       a sentence with its code
//	set-up of a place         setup.go      the data of the minute, and the balance
//	its wire form             setupdata.go  [SetupData], which polard site prints too
//	what is remembered        notes.go      [Notes] and [Nights]
//	the Sun                   sun.go        whether it is up, or near where a frame looks
//	commands                  commands.go   [Operator] and [Rig], called from POST requests
//	camera and mount          equipment.go  [Equipment], the same
//	picture of the frame      preview.go    stretch, shrink, encode
//	the page and its files    assets.go     embedded, under a hashed address
//	who may ask               guard.go      host, origin, headers
//	                          rights.go     what a browser or program may do
//	paired devices            devices.go    their list
//	                          pairing.go    links and their codes
//	                          pairroutes.go the requests
//	how much one may ask      bounds.go     requests
//	                          conns.go      connections
//	refusals                  problem.go    a code for programs, a sentence for people
//	is it well?               probe.go      for systemd, Kubernetes, load balancers
//	description of the API    describe.go   OpenAPI, JSON Schema
//	life of the service       server.go     [New], [Server.Run]
//
// The page shows words from assets/js/words.js (and words-setup.js beside it) and
// numbers from [State] and [SetupData]. Where the session or the set-up has its own
// sentence, that travels too, with a code wherever the page has words of its own:
// DEVELOPERS.md says what a translation has to bring.
package web
