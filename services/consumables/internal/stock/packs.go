package stock

// Opening is how an amount comes out of sealed packs.
type Opening struct {
	Sealed Micro // in whole packs, which stay sealed
	Part   Micro // out of a pack that is opened
	Opened Micro // what that pack held: the rest of it keeps no longer than once open
}

// OpenPacks divides an amount into whole packs and a part of one more. There is what stands at the place; the last pack may
// hold less than a full one, as after a count. With a pack of 0 all that is there is one container.
func OpenPacks(amount, pack, there Micro) Opening {
	if pack <= 0 {
		return Opening{Part: amount, Opened: max(there, amount)}
	}
	o := Opening{Part: amount % pack}
	if o.Sealed = amount - o.Part; o.Part > 0 {
		o.Opened = max(min(pack, there-o.Sealed), o.Part)
	}
	return o
}

// PacksFor is what the packs hold that must be opened together for an amount that is all out of opened ones.
func PacksFor(amount, pack, there Micro) Micro {
	if pack <= 0 {
		return max(there, amount)
	}
	return max(min((amount+pack-1)/pack*pack, there), amount)
}
