package app

import (
	"context"
	"fmt"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/calibration"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateTool adds a tool, out of calibration until one is recorded.
func (a *App) CreateTool(ctx context.Context, req *compliancev1.CreateToolRequest) (*compliancev1.Tool, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Tool, error) {
		u := a.unit(ctx, tx)
		tool := req.GetTool()
		resource.ClearOutputOnly(tool)
		tool.Name, tool.State = a.newName("tools", req.GetToolId()), toolState(tool, civil.Of(u.now))
		return tool, store.Tools.Insert(ctx, tx, tool, u.now)
	})
}

// CalibrateTool records a calibration.
func (a *App) CalibrateTool(ctx context.Context, req *compliancev1.CalibrateToolRequest) (*compliancev1.Tool, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Tool, error) {
		u := a.unit(ctx, tx)
		tool, err := store.Tools.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(tool, req.GetEtag()); err != nil {
			return nil, err
		}
		c := req.GetCalibration()
		if err := u.checkCalibration(tool, c); err != nil {
			return nil, err
		}
		if err := store.AddCalibration(ctx, tx, tool.GetName(), c); err != nil {
			return nil, err
		}
		before := tool.GetCalibrationDate()
		if !dateOf(c.GetCalibrationDate()).Before(dateOf(tool.GetCalibrationDate())) || tool.GetCalibrationDate() == nil {
			tool.CalibrationDate, tool.CalibrationDueDate, tool.Certificate = c.GetCalibrationDate(), c.GetDueDate(), c.GetCertificate()
		}
		tool.State = toolState(tool, civil.Of(u.now))
		if err := store.Tools.Save(ctx, tx, tool, u.now); err != nil {
			return nil, err
		}
		return tool, u.publish(ctx, "coldsection.tools.tool.calibrated.v1", tool.GetName(), &compliancev1.ToolChanged{
			Tool: tool.GetName(), State: tool.GetState().String(), CalibrationDueDate: tool.GetCalibrationDueDate(), FoundOutOfTolerance: c.GetFoundOutOfTolerance(),
			PreviousCalibrationDate: before,
		})
	})
}

func (u unit) checkCalibration(tool *compliancev1.Tool, c *compliancev1.Calibration) error {
	done, err := realDate("calibration.calibration_date", c.GetCalibrationDate())
	if err != nil {
		return err
	}
	if err := u.notFuture("calibration.calibration_date", done); err != nil {
		return err
	}
	end, err := realDate("calibration.due_date", c.GetDueDate())
	if err != nil {
		return err
	}
	if end.Before(done) {
		return fault.Invalid("calibration.due_date", "CALIBRATION_INVALID", "The calibration of %s would end on %s, before it was done. Correct the dates.", done, end)
	}
	if months := int(tool.GetCalibrationMonths()); months > 0 && calibration.Due(done, months).Before(end) {
		return fault.Invalid("calibration.due_date", "CALIBRATION_INVALID", "A calibration of %s lasts %d months, through %s, not through %s. Correct the date.", tool.GetDisplayName(), months,
			calibration.Due(done, months), end)
	}
	return nil
}

// WithdrawTool takes a tool out of use.
func (a *App) WithdrawTool(ctx context.Context, req *compliancev1.WithdrawToolRequest) (*compliancev1.Tool, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Tool, error) {
		u := a.unit(ctx, tx)
		tool, err := store.Tools.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(tool, req.GetEtag()); err != nil {
			return nil, err
		}
		tool.WithdrawReason = req.GetReason()
		tool.State = toolState(tool, civil.Of(u.now))
		return tool, store.Tools.Save(ctx, tx, tool, u.now)
	})
}

// CreatePerson adds a person.
func (a *App) CreatePerson(ctx context.Context, req *compliancev1.CreatePersonRequest) (*compliancev1.Person, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Person, error) {
		person := req.GetPerson()
		resource.ClearOutputOnly(person)
		person.Name = a.newName("people", req.GetPersonId())
		return person, store.People.Insert(ctx, tx, person, a.Clock.Now())
	})
}

// UpdatePerson changes a person; signatures keep the name of their day.
func (a *App) UpdatePerson(ctx context.Context, req *compliancev1.UpdatePersonRequest) (*compliancev1.Person, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Person, error) {
		person, err := store.People.Lock(ctx, tx, req.GetPerson().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(person, req.GetPerson().GetEtag()); err != nil {
			return nil, err
		}
		if err := resource.Apply(person, req.GetPerson(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		return person, store.People.Save(ctx, tx, person, a.Clock.Now())
	})
}

func parentOf(name string) string {
	parts := 0
	for i := range name {
		if name[i] == '/' {
			if parts++; parts == 2 {
				return name[:i]
			}
		}
	}
	return name
}

// CheckGates answers for a civil day. What is unknown is closed.
func (a *App) CheckGates(ctx context.Context, req *compliancev1.CheckGatesRequest) (*compliancev1.CheckGatesResponse, error) {
	day, err := realDate("civil_date", req.GetCivilDate())
	if err != nil {
		return nil, err
	}
	resp := &compliancev1.CheckGatesResponse{}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		*resp = compliancev1.CheckGatesResponse{Open: true}
		if len(req.GetScopes()) > 0 || req.GetPerson() != "" {
			if err := u.personGates(ctx, req, day, resp); err != nil {
				return err
			}
		}
		for _, tool := range req.GetTools() {
			r, err := u.toolGate(ctx, tool, day)
			if err != nil {
				return err
			}
			resp.Results = append(resp.Results, r)
		}
		for _, r := range resp.GetResults() {
			resp.Open = resp.GetOpen() && r.GetOpen()
		}
		return nil
	})
	return resp, err
}

func closed(asked, reason, format string, args ...any) *compliancev1.GateResult {
	return &compliancev1.GateResult{Asked: asked, Reason: reason, Explanation: fmt.Sprintf(format, args...)}
}

func (u unit) personGates(ctx context.Context, req *compliancev1.CheckGatesRequest, day civil.Date, resp *compliancev1.CheckGatesResponse) error {
	person, err := store.People.Get(ctx, u.Tx, req.GetPerson())
	if fault.HasReason(err, "NOT_FOUND") {
		resp.Results = append(resp.Results, closed(req.GetPerson(), "PERSON_UNKNOWN", "%q is not a person known here. Have quality add the person.", req.GetPerson()))
		return nil
	}
	if err != nil {
		return err
	}
	resp.PersonName, resp.Certificate = person.GetDisplayName(), person.GetCertificate()
	model := ""
	if req.GetEngine() != "" {
		engine, err := store.Engines.Get(ctx, u.Tx, req.GetEngine())
		switch {
		case fault.HasReason(err, "NOT_FOUND"):
			resp.Results = append(resp.Results, closed(req.GetEngine(), "ENGINE_UNKNOWN", "%s is not an engine known here.", req.GetEngine()))
			return nil
		case err != nil:
			return err
		}
		model = engine.GetEngineModel()
	}
	held, err := store.Authorizations.Where(ctx, u.Tx, "name >= $1 AND name < $2 ORDER BY name", person.GetName()+"/", person.GetName()+"0")
	if err != nil {
		return err
	}
	for _, scope := range req.GetScopes() {
		resp.Results = append(resp.Results, scopeGate(person, held, scope, model, day))
	}
	return nil
}

func forModel(model string) string {
	if model == "" {
		return ""
	}
	return " for " + model
}

func (u unit) toolGate(ctx context.Context, name string, day civil.Date) (*compliancev1.GateResult, error) {
	tool, err := store.Tools.Get(ctx, u.Tx, name)
	if fault.HasReason(err, "NOT_FOUND") {
		return closed(name, "TOOL_UNKNOWN", "%q is not a tool known here. Scan the tool again.", name), nil
	}
	if err != nil {
		return nil, err
	}
	if tool.GetWithdrawReason() != "" {
		return closed(name, "TOOL_WITHDRAWN", "%s %s was taken out of use: %s.", tool.GetDisplayName(), tool.GetSerial(), tool.GetWithdrawReason()), nil
	}
	if tool.GetCalibrationExempt() {
		return &compliancev1.GateResult{Asked: name, Open: true, Evidence: "needs no calibration", ToolType: tool.GetToolType()}, nil
	}
	c, err := store.CalibrationOn(ctx, u.Tx, name, day.String())
	if err != nil {
		return nil, err
	}
	if c == nil {
		return closed(name, "TOOL_LAPSED", "%s %s has no calibration that covers %s. Take another one.", tool.GetDisplayName(), tool.GetSerial(), day), nil
	}
	evidence := fmt.Sprintf("certificate %s, valid through %s", c.GetCertificate(), dateOf(c.GetDueDate()))
	return &compliancev1.GateResult{Asked: name, Open: true, Evidence: evidence, ToolType: tool.GetToolType()}, nil
}

// status of a tool today.
func toolState(t *compliancev1.Tool, today civil.Date) compliancev1.Tool_State {
	end := dateOf(t.GetCalibrationDueDate())
	switch {
	case t.GetWithdrawReason() != "":
		return compliancev1.Tool_WITHDRAWN
	case t.GetCalibrationExempt():
		return compliancev1.Tool_IN_CAL
	case end.IsZero() || end.Before(today):
		return compliancev1.Tool_LAPSED
	case end.Sub(today) < 30:
		return compliancev1.Tool_LAPSING
	default:
		return compliancev1.Tool_IN_CAL
	}
}
