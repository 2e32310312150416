package openapi

// problem is the schema of a refusal.
func problem() node {
	text := node{"type": "string"}
	return node{
		"type": "object", "description": "A refusal (RFC 9457).", "required": []any{"type", "title", "status", "detail", "code", "reason"},
		"properties": node{
			"type": text, "title": text, "status": node{"type": "integer"}, "detail": text, "domain": text,
			"requestId": node{"type": "string", "description": "Names this request, as the header X-Request-Id of the answer does. Say it when you report a problem: the log has it too."},
			"code":      node{"type": "string", "description": "The gRPC status code."},
			"reason":    node{"type": "string", "description": "Stays the same for ever; decide by this."},
			"metadata":  node{"type": "object", "additionalProperties": text},
			"violations": node{"type": "array", "items": node{
				"type": "object", "properties": node{"field": text, "description": text, "reason": text},
			}},
		},
	}
}

// exampleProblem is invented, for demonstration only.
func exampleProblem() node {
	return node{
		"type": "/problems/field-invalid", "title": "Field invalid", "status": 400, "code": "INVALID_ARGUMENT", "reason": "FIELD_INVALID",
		"domain": "coldsection", "requestId": "0198c0de-0000-7000-8000-000000000002",
		"detail":   "page_size (-1): value must be greater than or equal to 0. Correct it and send the request again.",
		"metadata": node{"said_1": "-1", "said_2": "0"},
		"violations": []any{node{
			"field": "page_size", "reason": "FIELD_INVALID",
			"description": "page_size (-1): value must be greater than or equal to 0. Correct it and send the request again.",
		}},
	}
}
