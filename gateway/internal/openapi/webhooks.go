package openapi

// hooks describes what the suite sends to webhook endpoints.
func hooks() node {
	header := func(name, description string) node {
		return node{"name": name, "in": "header", "required": true, "schema": node{"type": "string"}, "description": description}
	}
	return node{"fact": node{"post": node{
		"operationId": "receiveFact", "tags": []any{"WebhooksService"}, "security": []any{},
		"description": "A fact, sent by the scheme \"Standard Webhooks\". Verify the signature and the timestamp, and take the same webhook-id once only.",
		"parameters": []any{
			header("webhook-id", "The id of the fact; the same in every attempt."),
			header("webhook-timestamp", "When this attempt was made, in seconds since 1970."),
			header("webhook-signature", "v1, a comma and the HMAC-SHA256 of id.timestamp.body in base64; two with a space between while a secret is rotated."),
		},
		"requestBody": node{"required": true, "content": node{"application/cloudevents+json": node{
			"schema": node{"$ref": "#/components/schemas/CloudEvent"}, "example": exampleEvent(),
		}}},
		"responses": node{
			"200": node{"description": "The fact was taken; every other 2xx says the same."}, "410": node{"description": "No facts are wanted any more; the endpoint is disabled."},
			"default": node{"description": "The fact was not taken; it is sent again."},
		},
	}}}
}

// cloudEvent is the schema of an event in the CloudEvents JSON format 1.0.
func cloudEvent() node {
	text := node{"type": "string"}
	return node{
		"type": "object", "description": "A fact as a CloudEvents 1.0 event.",
		"required": []any{"specversion", "id", "source", "type", "subject", "time", "data"},
		"properties": node{
			"specversion": node{"type": "string", "const": "1.0"}, "id": text, "source": text, "type": text, "subject": text,
			"time": node{"type": "string", "format": "date-time"}, "datacontenttype": text, "sequence": text,
			"subjectversion": node{"type": "integer", "description": "Counts the facts about this subject: 1, 2, 3 …"}, "actor": text, "traceparent": text,
			"data": node{"type": "object", "description": "The message of the event's type, as the contract's events.proto has it."},
		},
	}
}

// exampleEvent is invented, for demonstration only.
func exampleEvent() node {
	return node{
		"specversion": "1.0", "id": "0198c0de-0000-7000-8000-000000000001", "source": "/coldsection/consumables",
		"type": "coldsection.stock.issued.v1", "subject": "stockMovements/demo", "time": "2026-03-01T08:00:00Z",
		"datacontenttype": "application/json", "sequence": "00000000000000000042", "subjectversion": 1, "actor": "accounts/demo",
		"data": node{"movement": "stockMovements/demo", "kind": "ISSUED", "quantity": node{"value": "3.8", "unitCode": "L"}},
	}
}
