// Package deferral says until when something may be put off.
package deferral

import "time"

const layout = "2006-01-02"

// Last is the last day of a deferral of so many days: the day on which it was first found is not counted (repair categories of
// minimum equipment lists; FAA MMEL policy letter 25, EASA CS-MMEL, from memory). found is YYYY-MM-DD.
func Last(found string, days int) (string, error) {
	day, err := time.Parse(layout, found)
	if err != nil {
		return "", err
	}
	return day.AddDate(0, 0, days).Format(layout), nil
}
