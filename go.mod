module coldsection.example

go 1.26.0

require (
	github.com/google/uuid v1.6.0
	github.com/govalues/decimal v0.1.36
	pgregory.net/rapid v1.3.0
)
