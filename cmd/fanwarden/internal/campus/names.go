package campus

import (
	"fmt"
	"strings"
)

// names are invented, and stand for no place and nobody.
func names() []string {
	return strings.Fields("Quillmere Tessarow Orrendale Fennick Bristlow Wickery Osmarle Pellaway Thistrane " +
		"Jorvane Kessimore Lindravel Mothbrook Nettlewyn Ravenmoss Ushalow Vexcombe Yarrowick Zellander " +
		"Cobbleny Dunnavar Eskermoor Gorsefold Harrowent")
}

// buildingName returns the id and the first name of the i-th building. Once
// every name is taken, they come again with a number.
func buildingName(i int) (id, name string) {
	all := names()
	name = all[i%len(all)]
	if round := i / len(all); round > 0 {
		return fmt.Sprintf("%s-%d", strings.ToLower(name), round+1), fmt.Sprintf("%s %d", name, round+1)
	}
	return strings.ToLower(name), name
}
