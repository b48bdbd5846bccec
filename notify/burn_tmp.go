package notify

import (
	"image"

	"benchword/workflow"
)

func burn(*image.RGBA, []workflow.Mark) {}
