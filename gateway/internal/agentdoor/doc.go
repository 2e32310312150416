// Package agentdoor lets programs that reason in text read the suite and draft orders, over the Model Context Protocol.
//
// A tool is one method of the contract, called through the suite's public door with the caller's own key: what a caller may
// not do by the API, it may not do here. There are read tools and one that drafts; none signs, issues, releases, receives,
// recalls, extends or configures. An answer has a unit in every numeric key, keeps texts that people or other systems wrote
// apart under untrusted_text, and is never larger than maxAnswer.
package agentdoor
