package storage

// Crowd is how many groups of bodies that hold things are under way, and how many bodies wait for one.
func (db *DB) Crowd() (groups, waiting int) {
	db.crowd.mu.Lock()
	defer db.crowd.mu.Unlock()
	return db.crowd.groups, len(db.crowd.waiting)
}
