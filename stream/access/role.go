package access

import "plumbline/stream/wire"

// Role says what somebody may do. The zero value may do nothing.
type Role string

// The roles: a viewer sees all that is measured and stored, an operator may change it.
const (
	Viewer   Role = "viewer"
	Operator Role = "operator"
)

// ParseRole refuses what is no role.
func ParseRole(s string) (Role, error) {
	switch r := Role(s); r {
	case Viewer, Operator:
		return r, nil
	}
	return "", &wire.Error{Code: "role", Text: "a role is viewer, who sees, or operator, who may change too"}
}

// May says whether this role does for what needs the other one.
func (r Role) May(needed Role) bool {
	return r == Operator || r == Viewer && needed == Viewer
}
