# Quasi-Poisson fit of OrchardSprays (Finney 1947, in R's datasets): ratio of treatments, rows and
# columns of the square taken out. Rscript orchard.R > orchard.json
d <- transform(datasets::OrchardSprays, r = factor(rowpos), c = factor(colpos))
f <- glm(decrease ~ treatment + r + c, quasipoisson, d)
s <- summary(f)$coefficients
cat(sprintf('{"rows": [%s],\n', paste(d$rowpos, collapse = ", ")))
cat(sprintf(' "columns": [%s],\n', paste(d$colpos, collapse = ", ")))
cat(sprintf(' "treatment": ["%s"],\n', paste(d$treatment, collapse = '", "')))
cat(sprintf(' "decrease": [%s],\n', paste(d$decrease, collapse = ", ")))
w <- grep("treatment", rownames(s))
cat(sprintf(' "estimate": [%s],\n', paste(sprintf("%.12g", s[w, 1]), collapse = ", ")))
cat(sprintf(' "totals": [%s]}\n', paste(tapply(d$decrease, d$treatment, sum), collapse = ", ")))
