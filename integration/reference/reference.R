# Fits the public data sets with R, strucchange and sandwich and prints every figure: name, tab, numbers with spaces between.
suppressMessages({ library(strucchange); library(sandwich) })
folder <- commandArgs(TRUE)[1]
cat(R.version.string, "strucchange", format(packageVersion("strucchange")), "sandwich", format(packageVersion("sandwich")), "\n", file = stderr())
table <- function(name) read.csv(file.path(folder, paste0(name, ".csv")))
say <- function(name, ...) cat(name, "\t", paste(sprintf("%.17g", c(...)), collapse = " "), "\n", sep = "")

norris <- table("norris")
say("norris", coef(lm(y ~ x, norris)))

longley <- table("longley")
fit <- lm(as.formula(paste(names(longley)[1], "~ .")), longley)
say("longley", coef(fit), sqrt(diag(vcov(fit))), summary(fit)$sigma)

stack <- table("stackloss")
fit <- lm(as.formula(paste(names(stack)[4], "~ .")), stack)
say("stackloss", coef(fit), sqrt(diag(vcov(fit))), summary(fit)$sigma)

wash <- table("washrun")
wash$step <- as.numeric(wash$hours >= 600)
fit <- lm(ditt_clean ~ hours + step, wash)
say("washrun", coef(fit), sqrt(diag(vcov(fit))))
say("washrun hac plain", sqrt(diag(NeweyWest(fit, lag = 4, prewhite = FALSE, adjust = FALSE))))
say("washrun hac corrected", sqrt(diag(NeweyWest(fit, lag = 4, prewhite = FALSE, adjust = TRUE))))
ml <- arima(wash$ditt_clean, order = c(1, 0, 0), xreg = cbind(wash$hours, wash$step), method = "ML", optim.control = list(reltol = 1e-14))
say("washrun ar1", coef(ml), sqrt(diag(ml$var.coef))[4])

nile <- table("nile")
cut <- breakpoints(flow ~ 1, data = nile, h = 0.15)
say("nile", breakpoints(cut)$breakpoints, confint(cut)$confint)
say("nile rss", summary(cut)$RSS["RSS", ])
say("nile bic", summary(cut)$RSS["BIC", ])
cut <- breakpoints(ditt_clean ~ hours, data = wash, h = 0.15)
say("washrun break", breakpoints(cut, breaks = 1)$breakpoints, confint(cut, breaks = 1)$confint)
say("washrun rss", summary(cut)$RSS["RSS", ])
