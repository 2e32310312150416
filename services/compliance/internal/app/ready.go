package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// Neighbours are the services that readiness is asked of; one that is nil can't be reached.
type Neighbours struct {
	WorkOrders, Consumables grpc.ClientConnInterface
}

// readier says of the items of one visit what is there for them on its day. Each card and each item of stores is asked once.
type readier struct {
	unit

	day   civil.Date
	needs map[string][]*compliancev1.MaterialNeed // by requirement
	stock map[string]*compliancev1.Readiness      // by stores' item
	cards map[string]*workordersv1.TaskCard       // by name
	lost  map[string]*compliancev1.Readiness      // cards that are not there or can't be asked for
}

// readyFor says of every item of a visit whether everything for it is there. Reason: UNIT_MISMATCH.
func (a *App) readyFor(ctx context.Context, items []*compliancev1.VisitItem, day civil.Date, needs []*compliancev1.MaterialNeed) error {
	rules := map[string]*compliancev1.Requirement{}
	r := readier{
		day: day, needs: map[string][]*compliancev1.MaterialNeed{}, stock: map[string]*compliancev1.Readiness{},
		cards: map[string]*workordersv1.TaskCard{}, lost: map[string]*compliancev1.Readiness{},
	}
	asked := make([]string, len(items))
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u, err := a.unit(ctx, tx).withRules(ctx)
		for _, rule := range u.rules {
			rules[rule.GetName()] = rule
		}
		for i, item := range items {
			if item.GetLifeStatus() != "" {
				continue // no requirement says how the part is replaced
			}
			stored, err := store.DueItems.Get(ctx, tx, item.GetDueItem())
			if err != nil {
				return err
			}
			asked[i] = stored.GetRequirement()
		}
		return err
	})
	if err != nil {
		return err
	}
	if err := r.askNeighbours(ctx, a, rules, asked, needs); err != nil {
		return err
	}
	return a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		r.unit = a.unit(ctx, tx)
		for i, item := range items {
			if err := r.readyItem(ctx, item, rules[asked[i]]); err != nil {
				return err
			}
		}
		return nil
	})
}

// askNeighbours reads every card and asks stores for everything together, outside any transaction.
func (r *readier) askNeighbours(ctx context.Context, a *App, rules map[string]*compliancev1.Requirement, asked []string, needs []*compliancev1.MaterialNeed) error {
	for _, name := range asked {
		if card := rules[name].GetTaskCard(); card != "" {
			r.readCard(ctx, a.Neighbours.WorkOrders, card)
		}
	}
	total, order := map[string]quantity.Quantity{}, []string{}
	for i, need := range needs {
		if !slices.Contains(asked, need.GetRequirement()) {
			continue // of something else than this visit
		}
		r.needs[need.GetRequirement()] = append(r.needs[need.GetRequirement()], need)
		q, err := quantity.Parse(need.GetQuantityValue(), need.GetQuantityUnitCode())
		if err != nil {
			return err
		}
		if sum, known := total[need.GetItem()]; known {
			if q, err = sum.Add(q); err != nil {
				return fault.Invalid(fmt.Sprintf("material_needs[%d].quantity_unit_code", i), "UNIT_MISMATCH", "%s is needed in %s and in %s, which can't be added. State one kind of unit.",
					need.GetItem(), sum.Unit().Code, need.GetQuantityUnitCode())
			}
		} else {
			order = append(order, need.GetItem())
		}
		total[need.GetItem()] = q
	}
	for _, item := range order {
		r.stock[item] = askStores(ctx, a.Neighbours.Consumables, item, total[item], r.day)
	}
	return nil
}

func line(kind compliancev1.Readiness_Kind, asked string) *compliancev1.Readiness {
	return &compliancev1.Readiness{Kind: kind, Asked: asked}
}

func short(l *compliancev1.Readiness, reason, format string, args ...any) *compliancev1.Readiness {
	l.Reason, l.Explanation = reason, fmt.Sprintf(format, args...)
	return l
}

func served(l *compliancev1.Readiness, by []string, format string, args ...any) *compliancev1.Readiness {
	l.Ready, l.Providers, l.Explanation = true, by, fmt.Sprintf(format, args...)
	return l
}

func (r *readier) readCard(ctx context.Context, to grpc.ClientConnInterface, name string) {
	if r.cards[name] != nil || r.lost[name] != nil {
		return
	}
	l := line(compliancev1.Readiness_CARD, name)
	if to == nil {
		r.lost[name] = short(l, "WORK_ORDERS_UNREACHABLE", "Work orders can't be asked for %s now, so what it needs is not known.", name)
		return
	}
	card, err := workordersv1.NewWorkOrdersQueryServiceClient(to).GetTaskCard(rpc.AsService(ctx, source), &workordersv1.GetTaskCardRequest{Name: name})
	switch {
	case fault.HasReason(err, "NOT_FOUND"):
		r.lost[name] = short(l, "CARD_MISSING", "There is no card %s. Make it from the approved data.", name)
	case err != nil:
		r.lost[name] = short(l, "WORK_ORDERS_UNREACHABLE", "Work orders can't be asked for %s now, so what it needs is not known.", name)
	default:
		r.cards[name] = card
	}
}

// askStores asks for what the whole visit takes of an item, at the beginning of its day.
func askStores(ctx context.Context, to grpc.ClientConnInterface, item string, q quantity.Quantity, day civil.Date) *compliancev1.Readiness {
	l := line(compliancev1.Readiness_STOCK, item)
	if to == nil {
		return short(l, "STORES_UNREACHABLE", "Stores can't be asked for %s of %s now.", q, item)
	}
	need := time.Date(day.Year, time.Month(day.Month), day.Day, 0, 0, 0, 0, time.UTC)
	answer, err := consumablesv1.NewConsumablesQueryServiceClient(to).SuggestLots(rpc.AsService(ctx, source), &consumablesv1.SuggestLotsRequest{
		Item: item, QuantityValue: q.Value().String(), QuantityUnitCode: q.Unit().Code, NeedTime: timestamppb.New(need.AddDate(0, 0, 1)),
	})
	switch {
	case fault.HasReason(err, "NOT_FOUND"):
		return short(l, "ITEM_UNKNOWN", "Stores know no %s.", item)
	case err != nil && fault.Undecided(err):
		return short(l, "STORES_UNREACHABLE", "Stores can't be asked for %s of %s now.", q, item)
	case err != nil:
		return short(l, "STOCK_SHORT", "Stores refuse %s of %s: %v", q, item, err)
	}
	var lots, passed []string
	for _, s := range answer.GetSuggestions() {
		lots = append(lots, s.GetLot())
	}
	for _, s := range answer.GetSkipped() {
		passed = append(passed, s.GetLot()+" "+s.GetReason())
	}
	missing, err := quantity.ParseDecimal(answer.GetShortfall().GetValue())
	if err != nil || !missing.IsZero() {
		l.Providers = lots
		return short(l, "STOCK_SHORT", "Of %s for the whole visit %s %s are missing on %s. Passed over: %s.", q, answer.GetShortfall().GetValue(), answer.GetShortfall().GetUnitCode(),
			day, orNone(passed))
	}
	return served(l, lots, "%s for the whole visit are there on %s.", q, day)
}

func orNone(all []string) string {
	if len(all) == 0 {
		return "none"
	}
	return strings.Join(all, ", ")
}

func (r *readier) readyItem(ctx context.Context, item *compliancev1.VisitItem, rule *compliancev1.Requirement) error {
	name := rule.GetTaskCard()
	card := r.cards[name]
	switch {
	case rule == nil:
		item.Readiness = append(item.Readiness, short(line(compliancev1.Readiness_CARD, item.GetLifeStatus()), "CARD_MISSING",
			"The part is replaced, and no requirement names a task card for that, so what it needs is not known."))
		return nil
	case name == "":
		item.Readiness = append(item.Readiness, short(line(compliancev1.Readiness_CARD, rule.GetName()), "CARD_MISSING", "%s names no task card, so what it needs is not known.", rule.GetCode()))
	case card == nil:
		item.Readiness = append(item.Readiness, r.lost[name])
	default:
		item.Readiness = append(item.Readiness, served(line(compliancev1.Readiness_CARD, name), []string{name}, "%s revision %d.", card.GetDisplayName(), card.GetRevision()))
	}
	r.readyStock(item, rule, card)
	tools, scopes := asksFor(card)
	for _, tool := range tools {
		l, err := r.toolOf(ctx, tool)
		if err != nil {
			return err
		}
		item.Readiness = append(item.Readiness, l)
	}
	for _, scope := range scopes {
		l, err := r.personFor(ctx, scope, item.GetSubject())
		if err != nil {
			return err
		}
		item.Readiness = append(item.Readiness, l)
	}
	item.Ready = !slices.ContainsFunc(item.GetReadiness(), func(l *compliancev1.Readiness) bool { return !l.GetReady() })
	return nil
}

// readyStock adds what stores said, and that a card uses material of which nobody said how much.
func (r *readier) readyStock(item *compliancev1.VisitItem, rule *compliancev1.Requirement, card *workordersv1.TaskCard) {
	for _, need := range r.needs[rule.GetName()] {
		item.Readiness = append(item.Readiness, r.stock[need.GetItem()])
	}
	uses := slices.ContainsFunc(card.GetSteps(), func(s *workordersv1.CardStep) bool { return s.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL })
	if uses && len(r.needs[rule.GetName()]) == 0 {
		item.Readiness = append(item.Readiness, short(line(compliancev1.Readiness_STOCK, rule.GetName()), "MATERIAL_NOT_STATED",
			"The card uses material, and how much was not stated. Give material_needs."))
	}
}

// asksFor are the types of tool and the scopes that a card and its steps ask for, each once.
func asksFor(card *workordersv1.TaskCard) (tools, scopes []string) {
	scopes = slices.Clone(card.GetRequiredAuthorizations())
	for _, s := range card.GetSteps() {
		tools, scopes = append(tools, s.GetRequiredTools()...), append(scopes, s.GetRequiredAuthorizations()...)
	}
	slices.Sort(tools)
	slices.Sort(scopes)
	return slices.Compact(tools), slices.Compact(scopes)
}

// toolOf looks for tools of a type whose gate is open on the day.
func (r *readier) toolOf(ctx context.Context, kind string) (*compliancev1.Readiness, error) {
	tools, err := store.Tools.Where(ctx, r.Tx, "tool_type = $1 ORDER BY name", kind)
	if err != nil {
		return nil, err
	}
	var good, bad []string
	for _, t := range tools {
		gate, err := r.toolGate(ctx, t.GetName(), r.day)
		if err != nil {
			return nil, err
		}
		if gate.GetOpen() {
			good = append(good, t.GetName())
		} else {
			bad = append(bad, t.GetName()+" "+gate.GetReason())
		}
	}
	l := line(compliancev1.Readiness_TOOL, kind)
	if len(good) == 0 {
		return short(l, "TOOL_MISSING", "No tool of the type %q may be used on %s. Passed over: %s.", kind, r.day, orNone(bad)), nil
	}
	return served(l, good, "%d of the type %q may be used on %s.", len(good), kind, r.day), nil
}

// personFor looks for people whose gate is open for a scope on the day, on the engine that the item is about.
func (r *readier) personFor(ctx context.Context, scope, subject string) (*compliancev1.Readiness, error) {
	model := ""
	if strings.HasPrefix(subject, "engines/") {
		engine, err := store.Engines.Get(ctx, r.Tx, subject)
		if err != nil {
			return nil, err
		}
		model = engine.GetEngineModel()
	}
	held, err := store.Authorizations.Where(ctx, r.Tx, "scope = $1 ORDER BY name", scope)
	if err != nil {
		return nil, err
	}
	by := map[string][]*compliancev1.Authorization{}
	var people, good, bad []string
	for _, a := range held {
		who := parentOf(a.GetName())
		by[who], people = append(by[who], a), append(people, who)
	}
	for _, who := range slices.Compact(people) {
		person, err := store.People.Get(ctx, r.Tx, who)
		if err != nil {
			return nil, err
		}
		if gate := scopeGate(person, by[who], scope, model, r.day); gate.GetOpen() {
			good = append(good, who)
		} else {
			bad = append(bad, who+" "+gate.GetReason())
		}
	}
	l := line(compliancev1.Readiness_PERSON, scope)
	if len(good) == 0 {
		return short(l, "PERSON_MISSING", "Nobody may do %q%s on %s. Passed over: %s.", scope, forModel(model), r.day, orNone(bad)), nil
	}
	return served(l, good, "%d may do %q on %s.", len(good), scope, r.day), nil
}
