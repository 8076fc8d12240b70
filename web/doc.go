// Package web is the service between a session and the person at the mount:
// the page, its live state over a websocket, and the commands the page sends.
//
//	stage                     file          what it owns
//	wire format               state.go      [State]: the only JSON names of the program's state
//	view to wire              view.go       [StateFromView]
//	newest state to all       hub.go        a mutex, a map and a mailbox of one per client
//	websocket                 live.go       one writer and one reader for each client
//	commands                  commands.go   [Operator] and [Rig], called from POST requests
//	picture of the frame      preview.go    stretch, shrink, encode
//	the page and its files    assets.go     embedded, under a hashed address
//	who may ask               guard.go      host, origin, rights, headers
//	life of the service       server.go     [New], [Server.Run]
//
// The page shows words from assets/words.js and numbers from [State]; the
// state carries codes and numbers, so that another language needs another
// words.js and nothing else. Where the session has its own sentence, the
// state carries it too, as the text for a code that words.js does not know.
package web
