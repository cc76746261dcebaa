package report

// places shows where on the lap the damage is done.
func (p *Page) places() section { return section{} }
