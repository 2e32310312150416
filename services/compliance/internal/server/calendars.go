package server

import (
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

// calendars' use cases are its methods.
type calendars struct {
	uncalendared
	*app.App
}

var _ compliancev1.CalendarServiceServer = (*calendars)(nil)

// uncalendared lies one level deeper than the use cases, so that they come first.
type uncalendared struct {
	compliancev1.UnimplementedCalendarServiceServer
}

func registerCalendars(r rpc.Registrar, a *app.App) {
	const service = "coldsection.compliance.v1.CalendarService"
	p := auth.Policy{}.For(service, []string{auth.SignedIn}, "CreateCalendarFeed", "ListCalendarFeeds", "RevokeCalendarFeed")
	p.Scope(service, "CreateCalendarFeed", "ListCalendarFeeds", "RevokeCalendarFeed").For(service, []string{auth.Anyone}, "GetCalendar")
	r.Register(&compliancev1.CalendarService_ServiceDesc, &calendars{App: a}, p)
}
