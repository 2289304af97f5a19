// Package sugar is the arithmetic of boiled sugar: how much solid a syrup holds
// at the temperature it boils at, where a cook limit moves when the air
// pressure changes, which stage a temperature means, how long a cook still
// takes, what it should yield and how much water stays active in it.
//
// Everything is plain numbers: temperatures in degrees Celsius (tempC),
// pressures in hectopascals (pressureHPa), solids in per cent by mass
// (solidsPct), masses in kilograms, durations in minutes unless a name says
// otherwise. The package reads no clock and no file and knows no record. The
// saturation line of water comes in as two functions (see Water).
//
// The model is the water-activity equation of Starzak and Peacock,
// Zuckerindustrie 122 (1997) 380-387; its constants were read, the shape of the
// equation is from memory and is confirmed by two properties printed elsewhere
// (see activity.go). Figures that rest on the trade alone say "common practice,
// no source"; values recalled and not read say "from memory".
package sugar
