// Package consumables is the stock service: items, lots, places, the double-entry ledger, claims, water tests, mixes
// and counts.
//
// It owns every movement of stock. Invariants: the postings of a movement sum to zero lot by lot; no balance of a real
// place, job or engine is below zero, which the database enforces in the same transaction; what is sealed of a lot of packs is
// whole packs, and a pack that is opened is a lot of its own; movements are never changed, a
// mistake is reversed; what is used on an engine was issued to a job and received before; a count's
// difference is booked by somebody else than the counter, and only as that person saw it; no litre is promised to two orders.
// What comes in is claimed within minutes for orders that were left short, the first that is needed first.
//
// It serves ConsumablesService, ConsumablesQueryService, ScanningQueryService, WaterService, WaterQueryService,
// RecipeService and RecipeQueryService. It publishes coldsection.stock.* facts and reacts to
// coldsection.workorder.scheduled (claims lots that will be usable then), step.completed (books use), released and voided
// (frees claims), and to coldsection.tools.tool.calibrated (a meter found out of tolerance takes back what it passed). Its
// tables are in internal/store/migrations. It does not decide whether a job may be signed. Its metrics show usable lots near their
// end, shortages, and items at or below their reorder point. How its speed is measured stands in DEVELOPERS.md under "Tests".
package consumables
