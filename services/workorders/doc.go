// Package workorders plans, records and signs work: task cards, orders, wash plans, steps, readings, starter runs, findings,
// signatures and the release.
//
// Invariants: an order moves by the verbs of one declared table; cautions are acknowledged before a step; who did any of the
// work never inspects it; a signature needs a fresh proof, covers exactly the content that was shown, and stands in a record
// chain; when compliance can't be asked, nothing is signed. The plan is frozen when the order starts. What was signed is ended
// by quality only, and nothing is ended or released with blanks still in the engine. A wash is not signed while its engine is wet, and only quality ends one then; none begins in
// colder weather than its plan is for. A step that is done again keeps what was recorded before, and looks at the work after it are taken
// again; work that a finding stopped waits for its answer. Wording and limits of deferrals are data of a
// regime. The work pack says the record as PDF/A and as JSON.
//
// It serves WorkOrdersService and WorkOrdersQueryService. It publishes coldsection.workorder.* facts and reacts to
// coldsection.performance.wash.recommended, coldsection.performance.recovery.computed of a wash that did not recover the engine and
// coldsection.compliance.due.approached (each drafts an order), coldsection.performance.advice.withdrawn (said on the order of the advice) and
// coldsection.stock.demand.met (kits one). Its tables are in internal/store/migrations. It never changes stock or a requirement's status.
package workorders
