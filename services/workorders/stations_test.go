package workorders_test

import (
	"testing"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// A station is read as it was entered and changed, and listed; neither way does it get a zone that no date could be counted in.
func TestAStationHasAZoneThatDaysCanBeCountedIn(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.place()
		read := func() *workordersv1.Station {
			return must[*workordersv1.Station](s)(s.look.GetStation(s.as("ann"), &workordersv1.GetStationRequest{Name: station}))
		}
		before := read()
		_, err := s.do.UpdateStation(s.as("pat"), &workordersv1.UpdateStationRequest{Station: &workordersv1.Station{Name: station, TimeZone: "Atlantis/Deep"}})
		s.refused(err, "TIME_ZONE_UNKNOWN", "Atlantis/Deep")
		_, err = s.do.CreateStation(s.as("pat"), &workordersv1.CreateStationRequest{Station: &workordersv1.Station{DisplayName: "Deep", TimeZone: "Atlantis/Deep"}})
		s.refused(err, "TIME_ZONE_UNKNOWN")
		if now := read(); now.GetEtag() != before.GetEtag() || now.GetTimeZone() != "Asia/Tokyo" {
			t.Errorf("%v", now)
		}
		must[*workordersv1.Station](s)(s.do.UpdateStation(s.as("pat"), &workordersv1.UpdateStationRequest{Station: &workordersv1.Station{Name: station, TimeZone: "Europe/Oslo"}}))
		must[*workordersv1.Station](s)(s.do.CreateStation(s.as("pat"), &workordersv1.CreateStationRequest{StationId: "shop", Station: &workordersv1.Station{DisplayName: "Shop", TimeZone: "UTC"}}))
		listed := must[*workordersv1.ListStationsResponse](s)(s.look.ListStations(s.as("ann"), &workordersv1.ListStationsRequest{Filter: `display_name = "Ramp"`})).GetStations()
		if len(listed) != 1 || listed[0].GetTimeZone() != "Europe/Oslo" || listed[0].GetPowerSource() != "battery" {
			t.Errorf("%v", listed)
		}
	})
}

// The cards that the suite ships are listed, each marked as a sample.
func TestShippedCardsAreListedAsSamples(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		cards := must[*workordersv1.ListTaskCardsResponse](s)(s.look.ListTaskCards(s.as("ann"), &workordersv1.ListTaskCardsRequest{PageSize: 100})).GetTaskCards()
		for _, c := range cards {
			if !c.GetSample() || c.GetRevision() != 1 || len(c.GetSteps()) == 0 {
				t.Errorf("%v", c)
			}
		}
		washes := must[*workordersv1.ListTaskCardsResponse](s)(s.look.ListTaskCards(s.as("ann"), &workordersv1.ListTaskCardsRequest{Filter: "kind = RECOVERY_WASH"})).GetTaskCards()
		if len(cards) < 6 || len(washes) != 1 || washes[0].GetName() != "taskCards/recovery-wash" {
			t.Errorf("%d cards, washes %v", len(cards), washes)
		}
	})
}
