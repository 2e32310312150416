package app

import (
	"context"
	"fmt"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
)

// mayAccomplish refuses requirements that releasing an order of a card can't accomplish: the release would say that work was done which the card
// does not have. Reasons: REQUIREMENT_UNKNOWN, REQUIREMENT_OF_ANOTHER_CARD, COMPLIANCE_UNREACHABLE.
func (a *App) mayAccomplish(ctx context.Context, card string, requirements []string) error {
	for _, name := range requirements {
		r, err := compliancev1.NewComplianceQueryServiceClient(a.Compliance).GetRequirement(asService(ctx), &compliancev1.GetRequirementRequest{Name: name})
		switch {
		case fault.HasReason(err, "NOT_FOUND"):
			return fault.Precondition("REQUIREMENT_UNKNOWN", "%q is not a requirement that compliance knows. Correct it, or adopt it there first.", name).With("requirement", name)
		case err != nil:
			return unreachable(err)
		case r.GetTaskCard() != "" && r.GetTaskCard() != card:
			return fault.Precondition("REQUIREMENT_OF_ANOTHER_CARD", "%s, %s, is done by %s and this order is of %s. Draft an order of that card for it.",
				r.GetCode(), r.GetDisplayName(), r.GetTaskCard(), card).With("requirement", name).With("task_card", r.GetTaskCard())
		}
	}
	return nil
}

// known refuses people that compliance does not know: work that is given to nobody is done by nobody. Reasons: ASSIGNEE_UNKNOWN,
// COMPLIANCE_UNREACHABLE.
func (a *App) known(ctx context.Context, field string, people []string) error {
	for i, name := range people {
		_, err := compliancev1.NewComplianceQueryServiceClient(a.Compliance).GetPerson(asService(ctx), &compliancev1.GetPersonRequest{Name: name})
		switch {
		case fault.HasReason(err, "NOT_FOUND"):
			return fault.Invalid(fmt.Sprintf("%s[%d]", field, i), "ASSIGNEE_UNKNOWN", "%q is not a person that compliance knows. Correct the name, or have quality add the person.", name).
				With("person", name)
		case err != nil && fault.Undecided(err):
			return unreachable(err)
		case err != nil:
			return err
		}
	}
	return nil
}
