package sugar

import "fmt"

// A book's soft ball, 115 degC at standard pressure, in a kitchen at 1,480 m.
func Example() {
	syrup, err := New(Water{PressureHPa: satHPa, BoilingC: satC})
	if err != nil {
		fmt.Println(err)
		return
	}
	moved, err := syrup.MoveLimit(115, StandardPressureHPa, 847.6)
	if err != nil {
		fmt.Println(err)
		return
	}
	solids, err := syrup.SolidsPct(moved.TempC, 847.6)
	if err != nil {
		fmt.Println(err)
		return
	}
	place, err := syrup.StageAt(moved.TempC, 847.6)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f degC, %.1f %% solids (u %.1f), %s\n", moved.TempC, solids.Pct, solids.UPct, place.Label)
	beyond, err := syrup.MoveLimit(157, StandardPressureHPa, 847.6)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("157 degC: %.1f degC, u %.1f, beyond sucrose data: %v\n", beyond.TempC, beyond.UC, beyond.BeyondData)
	// Output:
	// 109.7 degC, 85.8 % solids (u 1.0), soft ball
	// 157 degC: 150.2 degC, u 0.3, beyond sucrose data: true
}
