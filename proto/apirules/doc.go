// Package apirules checks a protobuf contract against the published API Improvement Proposals (AIPs).
//
// Each rule carries its public id, such as core::0131::response-message-name: the AIP's number and the sentence of it that
// the rule stands for. The rules read descriptors only, so they run on the .proto files as they lie in the repository and
// need no schema registry. Check reports every breach by the full name of the element, the rule and the next move.
//
// A breach that is meant stays possible: an Exception names the element, the rule and the reason. An exception that no
// longer hides anything is itself reported, so the list can't outlive its reasons.
package apirules
