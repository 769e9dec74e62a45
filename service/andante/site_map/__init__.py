"""The site map: one file that says what a hospital calls things, who is told what, and what its formulas hold."""

from andante.site_map.load import SiteMap, faults_of, load

__all__ = ["SiteMap", "faults_of", "load"]
