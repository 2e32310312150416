// Package performance says what an engine's readings mean: correction to a standard day, deviation from a clean engine,
// trend, wash advice, and what a wash recovered.
//
// Invariants: readings keep their text and unit as entered; an implausible one is held with its reason and never repaired
// silently; the result does not depend on the order of arrival, and an advice never looks ahead; every analysis names the
// revision of the engine model that it used; "cannot tell" is an answer.
//
// It serves PerformanceService, PerformanceQueryService, ReadingsService, OperationsService for its long imports, BaselineService, and
// PerformanceCalculationService, which changes nothing. It publishes
// coldsection.performance.* and coldsection.engine.reading.* facts and reacts to coldsection.workorder.released. Its tables are in
// internal/store/migrations. It never issues work.
package performance
