// Package proof: predictions and detections go in, odds against chance come out.
package proof
