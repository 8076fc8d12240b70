// Package operate lets a page, or a schedule, measure with a camera and a mount.
//
// What comes in: a server of devices, what the page asks ([web.Equipment]), and each outcome of the
// pipeline. What goes out: pictures in the camera's folder, from where they go the way of every
// frame, and what the page shows of camera and mount. Which movements are allowed is decided in
// [polard/cmd/polard/internal/devices/measure].
//
// One thing goes on at a time. A measurement lives in the request that asked for it: when that is
// given up, by a browser that closes or a connection that breaks, the mount is stopped.
//
// Finding aid: operation.go has choice, plan and state, activity.go what goes on, remember.go the
// choice over restarts, nightly.go the schedule.
package operate
