package notify

import (
	"testing"

	"go.uber.org/goleak"
)

// TestMain holds that nothing that was started is left running.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }
