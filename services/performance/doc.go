// Package performance says what an engine's readings mean: correction to a standard day, deviation from a clean engine,
// trend, wash advice, and what a wash recovered.
//
// Invariants: readings keep their text and unit as entered; an implausible one is held with its reason and never repaired
// silently; the result does not depend on the order of arrival, and an advice never looks ahead; every analysis names the
// revision of the engine model that it used; "cannot tell" is an answer. What went beyond a chart is recorded once, becomes severer
// but never milder, stands before every other advice, and is closed by quality alone.
//
// It serves PerformanceService, PerformanceQueryService, ReadingsService, OperationsService for its long imports, BaselineService,
// ExceedanceService, and PerformanceCalculationService, which changes nothing. It publishes
// coldsection.performance.* and coldsection.engine.reading.* facts, of an advice both that it was given and that it was taken back, and reacts to coldsection.workorder.released and
// workorder.motoring.recorded, coldsection.engine.registered and engine.changed. Its tables are in internal/store/migrations. It never issues work.
package performance
