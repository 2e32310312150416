package recordchain

// Link is the hash that follows from the one before and a payload.
var Link = link
