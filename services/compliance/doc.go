// Package compliance keeps what must be done to aircraft and engines, and when: configuration, counters, requirements, due
// items, accomplishments, tools and calibration, people and their authorizations.
//
// Invariants: only a released work order or a signed entry of the past moves a requirement; what can't be told is NO_DATA
// and never counts as compliant; a gate answers for a civil day, and what is unknown is closed; accomplishments stand in a
// record chain and are never changed. Everything that an answer about the past rests on keeps two times: when it was true and when
// it was recorded, so that the same question about the same two instants has the same answer for ever. Flying counts for what was
// fitted on its day, whenever either is entered.
//
// It serves ComplianceService, ComplianceQueryService, GateService, PlanningService, VisitsService, ExchangeService,
// CalendarService, RecordPackService, OwnerRecordService and OperationsService for its record packs. It publishes
// coldsection.compliance.*, coldsection.engine.*, coldsection.tools.* and coldsection.access.* facts and reacts to
// coldsection.workorder.released, coldsection.workorder.measurement.recorded, coldsection.workorder.finding.* and
// coldsection.stock.lot.tested.
// Its tables are in internal/store/migrations. It never edits a signed record.
package compliance
