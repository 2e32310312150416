package app

import (
	"context"
	"fmt"
	"math"
	"math/big"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
)

// BlendLots mixes what was issued to an order into a new lot.
func (a *App) BlendLots(ctx context.Context, req *consumablesv1.BlendLotsRequest) (*consumablesv1.Lot, error) {
	if err := isOrder(req.GetWorkOrder()); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Lot, error) {
		u := a.unit(ctx, tx)
		item, err := store.Items.Get(ctx, tx, req.GetItem())
		if err != nil {
			return nil, err
		}
		if item.GetKind() != consumablesv1.Item_BLEND {
			return nil, notABlend("item", item)
		}
		at, err := u.happened("effective_time", req.GetEffectiveTime())
		if err != nil {
			return nil, err
		}
		recipe, err := u.recipeFor(ctx, req, item, at.AsTime())
		if err != nil {
			return nil, err
		}
		mix, err := u.measure(ctx, req, item, recipe, at)
		if err != nil {
			return nil, err
		}
		if err := u.allowedMix(ctx, req.GetWorkOrder(), append(mix.items, item)...); err != nil {
			return nil, err
		}
		return u.blend(ctx, req, item, mix)
	})
}

// mix is what was measured in and out, and how much of it is cleaner and how much water or antifreeze.
type mix struct {
	parts          []stock.Posting       // lot and amount
	items          []*consumablesv1.Item // of the parts, each as it was poured
	parents        []*consumablesv1.BlendPart
	in, out        stock.Micro
	water, cleaner *big.Rat
	ends           []time.Time
	pot            int32                 // the shortest of the recipe's and the cleaners'; 0 when they say none
	recipe         *consumablesv1.Recipe // empty when it is mixed by a ratio alone
	poured         []stock.Poured        // item by item
	cleaners       []*consumablesv1.Item
	at             time.Time          // when it was mixed
	block          *consumablesv1.Lot // what blocks it, where one of the parts was blocked since; else nil
}

// named reports whether it is mixed by a recipe.
func (m mix) named() bool { return m.recipe.GetRevision() > 0 }

func notABlend(field string, item *consumablesv1.Item) error {
	return fault.Invalid(field, "ITEM_NOT_A_BLEND", "%s is %s, and mixing makes an item of kind BLEND. Name the item of the mix.", item.GetName(), item.GetKind())
}

func (u unit) measure(
	ctx context.Context, req *consumablesv1.BlendLotsRequest, blend *consumablesv1.Item, recipe *consumablesv1.Recipe, at *timestamppb.Timestamp,
) (mix, error) {
	m := mix{water: new(big.Rat), cleaner: new(big.Rat), recipe: recipe, pot: recipe.GetPotLifeHours(), at: at.AsTime()}
	for _, part := range req.GetParts() {
		if err := u.pour(ctx, &m, part, blend, req); err != nil {
			return m, err
		}
	}
	out, err := amountAt("output", req.GetOutput(), blend)
	if err != nil {
		return m, err
	}
	m.out = out
	if err := stock.CheckLoss(m.in, m.out, blend.GetBaseUnitCode()); err != nil {
		return m, err
	}
	if m.named() {
		return m, m.byRecipe(blend.GetBaseUnitCode())
	}
	if m.cleaner.Sign() == 0 {
		return m, noRatio(req.GetRatio())
	}
	return m, stock.CheckRatio(rounded(m.water), rounded(m.cleaner), int64(req.GetRatio().GetWaterParts()), int64(req.GetRatio().GetCleanerParts()), blend.GetBaseUnitCode())
}

// noRatio refuses a ratio for what has no cleaner in it, such as water and antifreeze mixed in advance. Reason: MIX_RATIO_INVALID.
func noRatio(ratio *consumablesv1.MixRatio) error {
	if ratio == nil {
		return nil
	}
	return fault.Invalid("ratio", "MIX_RATIO_INVALID", "No cleaner goes in, so %d parts of water to %d of cleaner can't be met. Leave the ratio out.",
		ratio.GetWaterParts(), ratio.GetCleanerParts())
}

// pour adds one measured part to a mix.
func (u unit) pour(ctx context.Context, m *mix, part *consumablesv1.BlendPart, blend *consumablesv1.Item, req *consumablesv1.BlendLotsRequest) error {
	lot, item, err := u.lockLot(ctx, part.GetLot(), "")
	if err != nil {
		return err
	}
	amount, err := amountAt(fmt.Sprintf("parts[%d].quantity", len(m.parts)), part.GetQuantity(), blend)
	if err != nil {
		return err
	}
	if lot, err = u.hadForMix(ctx, m, lot, item, amount, req); err != nil {
		return err
	}
	if err := u.compose(ctx, m, lot, item, big.NewRat(int64(amount), 1), req.GetRatio()); err != nil {
		return err
	}
	m.in += amount
	m.items = append(m.items, item)
	m.poured = append(m.poured, stock.Poured{Item: item.GetName(), Amount: amount})
	m.parents = append(m.parents, &consumablesv1.BlendPart{Lot: lot.GetName(), Quantity: part.GetQuantity(), LiquidTemperatureC: part.GetLiquidTemperatureC()})
	m.parts = append(m.parts, stock.Posting{Lot: lot.GetName(), Amount: amount})
	var end time.Time // of what keeps for ever
	if lot.GetExpireTime() != nil {
		end = lot.GetExpireTime().AsTime()
	}
	m.ends = append(m.ends, end)
	return nil
}

// compose adds what an amount of a lot is made of: a mix of mixes is followed down to its cleaners and its water, in
// proportion to what was measured into each.
func (u unit) compose(ctx context.Context, m *mix, lot *consumablesv1.Lot, item *consumablesv1.Item, amount *big.Rat, ratio *consumablesv1.MixRatio) error {
	switch item.GetKind() {
	case consumablesv1.Item_CLEANER:
		m.cleaner.Add(m.cleaner, amount)
		if hours := item.GetPotLifeHours(); hours > 0 && (m.pot == 0 || hours < m.pot) {
			m.pot = hours
		}
		m.cleaners = append(m.cleaners, item)
		if m.named() { // it is held against what was approved when all of it is measured
			return notReady(item)
		}
		return ratioAllowed(item, ratio)
	case consumablesv1.Item_WATER, consumablesv1.Item_ANTIFREEZE:
		m.water.Add(m.water, amount)
		return nil
	case consumablesv1.Item_BLEND:
		return u.composeBlend(ctx, m, lot, amount, ratio)
	default:
		return notForMixing(item)
	}
}

func notForMixing(item *consumablesv1.Item) error {
	return fault.Precondition("ITEM_NOT_FOR_MIXING", "%s is %s and is not mixed into a solution. Mix cleaner, water, antifreeze or another mix.", item.GetName(), item.GetKind())
}

func (u unit) composeBlend(ctx context.Context, m *mix, lot *consumablesv1.Lot, amount *big.Rat, ratio *consumablesv1.MixRatio) error {
	whole, parts := new(big.Rat), make([]*big.Rat, len(lot.GetParents()))
	for i, p := range lot.GetParents() {
		q, err := stock.FromQuantity(p.GetQuantity().GetValue(), p.GetQuantity().GetUnitCode(), lot.GetReceived().GetUnitCode())
		if err != nil {
			return err
		}
		parts[i] = big.NewRat(int64(q), 1)
		whole.Add(whole, parts[i])
	}
	for i, p := range lot.GetParents() {
		parent, err := store.Lots.Get(ctx, u.Tx, p.GetLot())
		if err != nil {
			return err
		}
		item, err := u.itemOf(ctx, parent)
		if err != nil {
			return err
		}
		share := new(big.Rat).Mul(amount, new(big.Rat).Quo(parts[i], whole))
		if err := u.compose(ctx, m, parent, item, share, ratio); err != nil {
			return err
		}
	}
	return nil
}

// rounded is an amount to the nearest ledger unit, for a comparison within 2 %.
func rounded(r *big.Rat) stock.Micro {
	f, _ := r.Float64()
	return stock.Micro(math.Round(f))
}

func notReady(cleaner *consumablesv1.Item) error {
	if cleaner.GetReadyToUse() {
		return fault.Precondition("READY_TO_USE_NOT_MIXED", "%s is ready to use and must not be mixed. Use it as it is, or take its concentrate.", cleaner.GetDisplayName())
	}
	return nil
}

func ratioAllowed(cleaner *consumablesv1.Item, ratio *consumablesv1.MixRatio) error {
	if err := notReady(cleaner); err != nil {
		return err
	}
	if !slices.ContainsFunc(cleaner.GetApprovedMixRatios(), func(r *consumablesv1.MixRatio) bool {
		return r.GetWaterParts() == ratio.GetWaterParts() && r.GetCleanerParts() == ratio.GetCleanerParts()
	}) {
		return fault.Precondition("MIX_RATIO_NOT_APPROVED", "%d parts of water to %d of cleaner is not an approved ratio of %s. Use an approved one, or have it approved on the item.",
			ratio.GetWaterParts(), ratio.GetCleanerParts(), cleaner.GetDisplayName())
	}
	return nil
}

// potLife is how long a mix keeps: the shortest of what its item, its cleaners and its recipe say. Whoever mixes may say less, and says it alone
// where none of them does. Reason: POT_LIFE_EXCEEDED.
func potLife(hours int32, item *consumablesv1.Item, m mix) (int32, error) {
	most := m.pot
	if own := item.GetPotLifeHours(); !m.named() && own > 0 && (most == 0 || own < most) {
		most = own
	}
	switch {
	case hours == 0:
		return most, nil
	case most > 0 && hours > most:
		return 0, fault.Invalid("pot_life_hours", "POT_LIFE_EXCEEDED", "%s keeps %d hours at most once mixed; %d were asked for. Leave the hours out, or give fewer.",
			item.GetDisplayName(), most, hours)
	default:
		return hours, nil
	}
}

// blend posts the inputs into production and the output out of it, the loss named, all from and to the order. What one of its parts is blocked
// for since it was mixed blocks it from the beginning.
func (u unit) blend(ctx context.Context, req *consumablesv1.BlendLotsRequest, item *consumablesv1.Item, m mix) (*consumablesv1.Lot, error) {
	hours, err := potLife(req.GetPotLifeHours(), item, m)
	if err != nil {
		return nil, err
	}
	potted, _ := cloneItem(item)
	potted.PotLifeHours = hours
	lot := &consumablesv1.Lot{
		Name: u.app.newName("lots", req.GetLotId()), Item: item.GetName(), State: consumablesv1.Lot_USABLE, Parents: m.parents,
		Received: store.Quantity(m.out, item.GetBaseUnitCode()), Recipe: m.recipe.GetName(), RecipeRevision: m.recipe.GetRevision(),
	}
	if m.block != nil {
		lot.State, lot.HoldReason, lot.HeldOrigin, lot.BlockTime = m.block.GetState(), m.block.GetHoldReason(), m.block.GetHeldOrigin(), m.block.GetBlockTime()
	}
	lot, err = u.addLot(ctx, lot, potted, store.Production, mixed{at: m.at, ends: m.ends})
	if err != nil {
		return nil, err
	}
	movement := u.movement(consumablesv1.StockMovement_BLENDED, lot, m.out, item.GetBaseUnitCode())
	movement.WorkOrder, movement.EffectiveTime = req.GetWorkOrder(), timestamppb.New(m.at)
	postings := []stock.Posting{
		{Lot: lot.GetName(), Location: store.Production, Amount: -m.in}, {Lot: lot.GetName(), Location: req.GetWorkOrder(), Amount: m.out},
	}
	if m.in > m.out {
		postings = append(postings, stock.Posting{Lot: lot.GetName(), Location: store.MixingLoss, Amount: m.in - m.out})
	}
	for _, p := range m.parts {
		postings = append(postings, transfer(p.Lot, req.GetWorkOrder(), store.Production, p.Amount)...)
	}
	if err := u.post(ctx, movement, item, postings); err != nil {
		return nil, err
	}
	for _, p := range m.parts {
		if err := store.AddEdge(ctx, u.Tx, stock.Edge{Target: lot.GetName(), Origin: p.Lot, Movement: movement.GetName(), Amount: p.Amount}); err != nil {
			return nil, err
		}
	}
	if lot, err = store.Lots.Get(ctx, u.Tx, lot.GetName()); err != nil {
		return nil, err
	}
	return lot, u.madeLate(ctx, lot, movement)
}
