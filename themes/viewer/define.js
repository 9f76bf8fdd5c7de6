// The only file with a side effect. A second copy of the script on a page does nothing.

if (!customElements.get('kick-spin')) {
  openRegistry();
  customElements.define('kick-spin', KickSpin);
}
